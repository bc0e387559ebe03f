"""Whether a run takes broker and database from containers: what an engine answers decides, and a broken one
is no missing one."""

from __future__ import annotations

import socketserver
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.support import servers

VERSION = b'{"Version": "28.2.2", "ApiVersion": "1.47", "MinAPIVersion": "1.24"}'
NOT_THERE = b'{"message": "no such image"}'


@contextmanager
def engine(socket: Path, **answers: tuple[int, bytes]) -> Iterator[None]:
    """One that answers what asks for ``version`` or ``images`` like this, and 500 to all else."""

    class Handler(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            while line := self.rfile.readline():
                while self.rfile.readline().strip():
                    pass
                status, body = next(
                    (each for name, each in answers.items() if name.encode() in line),
                    (500, b'{"message": "out of order"}'),
                )
                head = f"HTTP/1.1 {status} x\r\nContent-Type: application/json\r\nContent-Length: {len(body)}"
                self.wfile.write(head.encode() + b"\r\n\r\n" + body)

    class Server(socketserver.ThreadingMixIn, socketserver.UnixStreamServer):
        daemon_threads = True

    with Server(str(socket), Handler) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            yield
        finally:
            server.shutdown()
            thread.join()


@pytest.fixture
def socket(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where an engine would listen; nobody has chosen yet."""
    path = tmp_path / "engine"
    monkeypatch.setenv("DOCKER_HOST", f"unix://{path}")
    monkeypatch.delenv(servers.CHOICE, raising=False)
    return path


def chosen() -> tuple[str, str]:
    return servers._chosen.__wrapped__()


def test_without_an_engine_installed_programs_are_taken_and_that_is_said(socket: Path) -> None:
    assert chosen() == ("installed", "no container engine: No such file or directory")


def test_an_engine_that_answers_and_has_the_images_is_used(socket: Path) -> None:
    with engine(socket, version=(200, VERSION), images=(200, b'{"Id": "sha256:1", "RepoTags": []}')):
        way, why = chosen()
    assert way == "containers"
    assert why == f"engine 28.2.2, {servers.image('BROKER_IMAGE')}, {servers.image('POSTGRES_IMAGE')}"


def test_an_engine_that_has_no_image_and_gets_none_is_said_too(socket: Path) -> None:
    with engine(socket, version=(200, VERSION), create=(500, NOT_THERE), images=(404, NOT_THERE)):
        way, why = chosen()
    assert (way, why) == (
        "installed",
        f"the container engine has no image {servers.image('BROKER_IMAGE')} and can't get it",
    )


def test_a_broken_engine_ends_the_run_with_what_to_do(socket: Path) -> None:
    with engine(socket), pytest.raises(servers.NoServers, match=r"doesn't work: .*TEST_SERVERS=installed"):
        chosen()


def test_either_can_be_asked_for_and_nothing_else_is_taken(
    socket: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(servers.CHOICE, "containers")
    with pytest.raises(servers.NoServers, match="TEST_SERVERS=containers, but no container engine"):
        chosen()
    monkeypatch.setenv(servers.CHOICE, "installed")
    with engine(socket):
        assert chosen()[0] == "installed"
    monkeypatch.setenv(servers.CHOICE, "both")
    with pytest.raises(servers.NoServers, match="say containers or installed"):
        chosen()
