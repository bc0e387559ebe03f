"""PostgreSQL over TLS: the store's URL says whom to trust, and a wrong server is refused with its reason."""

from __future__ import annotations

import os
import re
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import psycopg
import pytest

from service.ports import StoreError
from service.store import open_store, upgrade
from tests.support.certificates import Authority, Pair
from tests.support.postgres import NoPostgres, Postgres, _embedded, _installed, _ordinary_user
from tests.support.wait import eventually


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    """One that the server's own user may enter, unlike a test's."""
    path = Path(tempfile.mkdtemp(prefix="earlybell-tls-"))
    path.chmod(0o755)
    yield path
    shutil.rmtree(path)


@pytest.fixture(scope="module")
def authority(folder: Path) -> Authority:
    return Authority(folder)


@pytest.fixture(scope="module")
def pair(authority: Authority) -> Pair:
    pair = authority.sign("127.0.0.1")
    Path(pair.key).chmod(0o600)
    if (user := _ordinary_user()) is not None:
        os.chown(pair.key, user.pw_uid, user.pw_gid)
    return pair


@contextmanager
def own_server(settings: list[str]) -> Iterator[Postgres]:
    """Not in a container: it would not see the files."""
    with ExitStack() as stack:
        try:
            server = stack.enter_context(_embedded(settings))
        except NoPostgres:
            server = stack.enter_context(_installed(settings))
        yield server


@pytest.fixture(scope="module")
def server(pair: Pair) -> Iterator[Postgres]:
    with own_server(["ssl=on", f"ssl_cert_file={pair.cert}", f"ssl_key_file={pair.key}"]) as server:
        yield server


def renewed(server: Postgres, pair: Pair, authority: Authority, *names: str, days: float = 2.0) -> None:
    """The server shows another certificate from now on, in the same files."""
    other = authority.sign(*names, days=days)
    for new, old in ((other.cert, pair.cert), (other.key, pair.key)):
        Path(old).write_bytes(Path(new).read_bytes())
    with server.connect() as connection:
        connection.execute("select pg_reload_conf()")


def encrypted(url: str) -> bool:
    with psycopg.connect(url.replace("+psycopg", "")) as connection:
        row = connection.execute("select ssl from pg_stat_ssl where pid = pg_backend_pid()").fetchone()
    return bool(row and row[0])


def test_the_store_is_reached_with_the_plants_own_authority(
    server: Postgres, authority: Authority, pair: Pair
) -> None:
    renewed(server, pair, authority, "127.0.0.1")
    url = f"{server.url(server.create())}?sslmode=verify-full&sslrootcert={authority.ca_file}"
    assert encrypted(url)
    upgrade(url)
    store = open_store(url, migrate=False)
    assert store.archive.healthy()
    store.close()


@pytest.mark.parametrize(
    ("signs", "name", "days", "why"),
    [
        ("stranger", "127.0.0.1", 2.0, "certificate verify failed"),
        ("plant", "127.0.0.1", -1.0, "certificate has expired|certificate verify failed"),
        ("plant", "db.plant.example", 2.0, "does not match host name"),
    ],
    ids=["another authority", "expired", "another host"],
)
def test_a_wrong_server_is_refused_with_its_reason_and_hears_no_password(
    server: Postgres,
    authority: Authority,
    folder: Path,
    pair: Pair,
    signs: str,
    name: str,
    days: float,
    why: str,
) -> None:
    signer = authority if signs == "plant" else Authority(folder, "stranger")
    renewed(server, pair, signer, name, days=days)
    url = f"{server.url('postgres')}?sslmode=verify-full&sslrootcert={authority.ca_file}"
    # The server reads its files again when it gets round to it.
    said = eventually(lambda: said if re.search(why, said := reason(url)) else "")
    assert ":postgres@" not in said


def reason(url: str) -> str:
    """Why the store can't be opened; nothing where it can."""
    try:
        upgrade(url)
    except StoreError as error:
        return str(error)
    return ""


def test_a_server_without_tls_is_refused_where_tls_is_meant(authority: Authority) -> None:
    with own_server([]) as plain:
        url = f"{plain.url('postgres')}?sslmode=verify-full&sslrootcert={authority.ca_file}"
        with pytest.raises(StoreError, match="server does not support SSL"):
            upgrade(url)
