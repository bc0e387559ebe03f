"""What is told to log and metrics: within which bounds, at which level, and of what a run rarely has."""

from __future__ import annotations

import io
import json
import logging
import math
import re
import subprocess
from collections import UserDict
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
import structlog
from prometheus_client.parser import text_string_to_metric_families

from service.domain.history import Record
from service.domain.hourly import HOUR
from service.domain.model import SECOND
from service.report import Report
from service.sent import Lately
from service.store.measure import Measured
from service.telemetry import Metrics, configure_logging
from service.tls import TlsFileError, expires
from service.tracing import Served
from service.usecases.batch import Committed, Heard
from service.usecases.rollup import Rolled
from tests.support.certificates import Authority

RARELY = {
    "earlybell_certificate_expires_timestamp_seconds",
    "earlybell_ends_covered",
    "earlybell_ends_seen",
    "earlybell_last_prune_timestamp_seconds",
    "earlybell_message_flood",
    "earlybell_messages_elsewhere_total",
    "earlybell_messages_repeated_total",
    "earlybell_notices_chattering",
    "earlybell_notices_stale",
    "earlybell_pruned_rows_total",
    "earlybell_rollup_behind_seconds",
    "earlybell_rollups_total",
    "earlybell_source_gaps",
    "earlybell_source_repeats_total",
    "earlybell_warnings_apart",
    "earlybell_warnings_late",
}
"""What takes hours, shards, TLS or a gateway of another kind to be anything but 0."""
NOW = 1_772_431_200 * SECOND


@pytest.fixture
def log() -> Iterator[io.StringIO]:
    root, level, handlers = logging.getLogger(), logging.getLogger().level, logging.getLogger().handlers[:]
    stream = io.StringIO()
    configure_logging("info", stream)
    yield stream
    structlog.reset_defaults()
    root.handlers[:] = handlers
    root.setLevel(level)


def lines(log: io.StringIO) -> list[dict[str, object]]:
    return [json.loads(line) for line in log.getvalue().splitlines()]


def samples(metrics: Metrics, name: str) -> dict[tuple[str, ...], float]:
    """By the values of its labels, in the order of their names."""
    return {
        tuple(value for _, value in sorted(sample.labels.items())): sample.value
        for family in text_string_to_metric_families(metrics.render().decode())
        for sample in family.samples
        if sample.name == name
    }


def served(answer: int | None, method: str = "GET", **more: object) -> Served:
    given = {"request": "r", "path": "/p", "seconds": 0.1, "changes": method == "POST"} | more
    return Served(method=method, answer=answer, **given)  # type: ignore[arg-type]


def test_what_a_run_rarely_has_is_told_too() -> None:
    metrics = Metrics()
    report = Report(metrics)
    heard = {"": Heard(messages=5, repeats=2, elsewhere=1)}
    report.committed([Committed(frozenset(), [], {}, heard)], seconds=0.1, items=5)
    report.record([Record("tape", judged=4, late=1.5, ended=3, covered=2, apart=1)])
    report.budget(Lately(messages={"mail": 3}, floods={"Ida": True}, stale=2, chattering=1))
    report.rolled(Rolled(NOW, 1))
    report.behind(2 * HOUR)
    report.pruned(7, days=3)
    report.certificate("web", 1.8e9)
    metrics.source_gaps.labels(source="north").set(1)

    assert {name for name in RARELY if not any(samples(metrics, name).values())} == set()
    assert samples(metrics, "earlybell_message_flood") == {("Ida",): 1}
    assert samples(metrics, "earlybell_pruned_rows_total") == {(): 7}


def test_what_is_not_known_of_a_store_is_no_number() -> None:
    metrics = Metrics()
    report = Report(metrics)
    known = Measured(
        size=9, free=4, entries=2, oldest=NOW, waits={"mail": NOW - 3 * SECOND}, notices={"early": 1}
    )
    report.measured(known, now=NOW)
    assert samples(metrics, "earlybell_outbox_oldest_seconds") == {("mail",): 3}
    assert samples(metrics, "earlybell_notices_open") == {("early",): 1, ("urgent",): 0, ("empty",): 0}
    assert samples(metrics, "earlybell_store_free_bytes") == {(): 4}

    report.measured(Measured(size=9, free=None, entries=0, oldest=None, waits={}, notices={}), now=NOW)
    assert samples(metrics, "earlybell_outbox_oldest_seconds") == {}
    for name in ("earlybell_store_free_bytes", "earlybell_journal_oldest_timestamp_seconds"):
        assert math.isnan(samples(metrics, name)[()])

    report.unmeasured()
    assert samples(metrics, "earlybell_store_reachable") == {(): 0}


class Asked(UserDict[tuple[str, str], int]):
    """Calls ``asks`` when it is read, as somebody else may at any moment."""

    def __init__(self, rows: dict[tuple[str, str], int], asks: Callable[[], None]) -> None:
        super().__init__(rows)
        self._asks = asks

    def __iter__(self) -> Iterator[tuple[str, str]]:
        self._asks()
        return super().__iter__()


def test_who_asks_while_another_does_misses_nothing() -> None:
    metrics = Metrics()
    report, seen = Report(metrics), []
    rows = {("mail", "waiting"): 2, ("hook", "dead"): 1}
    report.outbox(rows)
    report.outbox(Asked(rows, lambda: seen.append(samples(metrics, "earlybell_outbox_deliveries"))))
    assert seen
    assert all(each == rows for each in seen)


def test_what_is_gone_is_no_number_of_before() -> None:
    metrics = Metrics()
    report = Report(metrics)
    report.outbox({("mail", "waiting"): 2, ("hook", "dead"): 1})
    report.beats({"follower": 1.5, "web": 0.1})
    report.outbox({("hook", "dead"): 1})
    report.beats({"web": 0.2})
    assert samples(metrics, "earlybell_outbox_deliveries") == {("hook", "dead"): 1}
    assert samples(metrics, "earlybell_outbox_waiting") == {}
    assert samples(metrics, "earlybell_heartbeat_age_seconds") == {("web",): 0.2}


def test_a_change_is_logged_a_read_is_not_and_a_failure_is_a_warning(log: io.StringIO) -> None:
    report = Report(Metrics())
    those = (served(200), served(200, "POST"), served(404), served(409, "POST"), served(500), served(None))
    for each in those:
        report.served(each)
    assert [(line["level"], line["method"], line["answer"]) for line in lines(log)] == [
        ("info", "POST", 200),
        ("info", "POST", 409),
        ("warning", "GET", 500),
    ]


def test_probes_are_no_requests_of_anybody(log: io.StringIO) -> None:
    metrics = Metrics()
    Report(metrics).served(served(503, path="/readyz"))
    assert lines(log) == []
    assert not any(samples(metrics, "earlybell_http_requests_total").values())


def test_any_number_of_refused_requests_is_a_few_lines(log: io.StringIO) -> None:
    metrics = Metrics()
    report = Report(metrics)
    for number in range(1000):
        report.served(
            served(401 if number % 2 else 503, "POST", address=f"10.0.0.{number % 200}", path=f"/{number}")
        )
    assert len(lines(log)) == 10
    assert {line["action"] for line in lines(log)} == {"request_refused"}
    assert samples(metrics, "earlybell_http_requests_total")["4xx", "POST"] == 500


def test_a_method_that_nobody_knows_is_no_label(log: io.StringIO) -> None:
    metrics = Metrics()
    Report(metrics).served(served(405, "BREW"))
    assert samples(metrics, "earlybell_http_requests_total")["4xx", "other"] == 1
    assert "BREW" not in log.getvalue()


def test_when_a_certificate_is_over_is_what_openssl_says(tmp_path: Path) -> None:
    pair = Authority(tmp_path).sign(days=17.5)
    said = subprocess.run(
        ["openssl", "x509", "-enddate", "-noout", "-in", pair.cert],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    at = datetime.strptime(said.strip(), "notAfter=%b %d %H:%M:%S %Y GMT").replace(tzinfo=UTC)
    assert expires(pair.cert) == at.timestamp()


def test_of_a_chain_the_first_that_is_over_counts(tmp_path: Path) -> None:
    authority = Authority(tmp_path)
    late, soon = authority.sign(days=30), authority.sign(days=3)
    chain = tmp_path / "chain.pem"
    chain.write_text(Path(late.cert).read_text() + Path(soon.cert).read_text())
    assert expires(str(chain)) == expires(soon.cert) < expires(late.cert)


@pytest.mark.parametrize("text", [None, "", "no certificate"])
def test_a_file_without_a_certificate_is_named(tmp_path: Path, text: str | None) -> None:
    file = tmp_path / "web.pem"
    if text is not None:
        file.write_text(text)
    with pytest.raises(TlsFileError, match=re.escape(str(file))):
        expires(str(file))
