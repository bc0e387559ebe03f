"""pip-audit itself, against advisories that a server of the test keeps: its words are what is read."""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from tests.supplied.audit import audit
from tests.supplied.locked import RUNTIME


class Advisories(BaseHTTPRequestHandler):
    """One about jinja2, in the form of OSV's ``/v1/query``."""

    def do_POST(self) -> None:
        asked = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        named = {"name": "jinja2", "ecosystem": "PyPI"}
        events = [{"introduced": "0"}, {"fixed": "99.0"}]
        one = {
            "id": "GHSA-test",
            "aliases": ["CVE-2026-1"],
            "summary": "text",
            "published": "2026-01-01T00:00:00Z",
            "affected": [{"package": named, "ranges": [{"type": "ECOSYSTEM", "events": events}]}],
        }
        answer = json.dumps({"vulns": [one]} if asked["package"]["name"] == "jinja2" else {}).encode()
        self.send_response(200)
        self.send_header("Content-Length", str(len(answer)))
        self.end_headers()
        self.wfile.write(answer)

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def advisories() -> Iterator[list[str]]:
    server = ThreadingHTTPServer(("127.0.0.1", 0), Advisories)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield ["--vulnerability-service", "osv", "--osv-url", f"http://127.0.0.1:{server.server_port}/v1/query"]
    server.shutdown()
    thread.join()
    server.server_close()


def test_a_package_with_an_advisory_is_found_in_the_lock(advisories: list[str]) -> None:
    verdict = audit(lock=RUNTIME, more=advisories)
    assert verdict.failed
    looked, found = verdict.lines
    assert looked.startswith("audit: ")
    assert re.fullmatch(r"audit: jinja2 \S+: CVE-2026-1, mended in 99\.0: raise its lower bound .*", found)


def test_advisories_that_cannot_be_asked_are_no_clean_bill() -> None:
    nobody = ["--vulnerability-service", "osv", "--osv-url", "http://127.0.0.1:9/v1/query"]
    verdict = audit(lock=RUNTIME, more=nobody)
    assert not verdict.failed
    assert verdict.lines[0].startswith("audit: NOT AUDITED: the index wasn't reached")
