"""Access as it is kept going beside a running service, on both databases."""

from __future__ import annotations

import stat
from collections.abc import Iterator

import httpx
import pytest

from tests.acceptance.conftest import StartFactory
from tests.acceptance.test_access import PASSWORD, bearer, command
from tests.support.factory import Factory
from tests.support.postgres import shared_postgres
from tests.support.processes import StartProgram


@pytest.fixture(params=["sqlite", "postgresql"])
def factory(
    request: pytest.FixtureRequest, start_program: StartProgram, start_factory: StartFactory
) -> Iterator[Factory]:
    if request.param == "sqlite":
        yield start_factory()
        return
    server = shared_postgres()
    name = server.create()
    url = server.url(name)
    assert start_program("upgrade-store", environment={"EARLYBELL_STORE__URL": url}).wait() == 0
    started = start_factory(store=url)
    yield started
    started.program.kill()
    server.drop(name)


def may(factory: Factory, secret: str, path: str = "/lines") -> int:
    return factory.api.get(path, headers=bearer(secret)).status_code


def test_access_is_renewed_ended_and_got_back_while_the_service_runs(factory: Factory) -> None:
    program = factory.program
    old = command(program, "token", "gate", "--role", "act").stdout.strip()
    factory.until(lambda: may(factory, old) == 200, "the first secret opens nothing")

    # A program changes its secret without a gap.
    rotated = command(program, "token", "gate", "--rotate", "--overlap", "2")
    assert "the one before holds until" in rotated.stderr
    new = rotated.stdout.strip()
    factory.until(lambda: (may(factory, new), may(factory, old)) == (200, 200), "one of both opens nothing")
    command(program, "token", "gate", "--rotate", "--overlap", "0")
    factory.until(lambda: (may(factory, new), may(factory, old)) == (401, 401), "an old one still opens")
    assert command(program, "token", "gate", "--role", "act", "--overlap", "2").returncode == 1

    # A person is signed in, seen, and signed out from the machine.
    command(program, "account", "Mira", "--role", "act", said=PASSWORD + "\n")
    with httpx.Client(base_url=factory.url, trust_env=False) as browser:
        form = {"name": "mira", "password": PASSWORD}
        assert browser.post("/sign-in", data=form, headers={"origin": factory.url}).status_code == 303
        (line,) = command(program, "sessions").stdout.splitlines()
        assert ": Mira, act, since 2" in line
        assert ", from 127.0.0.1, last seen 2" in line
        number = line.split()[1].rstrip(":")
        assert command(program, "sessions", "--end", number).stdout == f"session {number} of Mira: ended\n"
        factory.until(lambda: browser.get("/api/v1/lines").status_code == 401, "its session goes on")
    assert command(program, "sessions", "--end", number).returncode == 1
    assert command(program, "sessions", "--end-all").stdout == "nobody was signed in\n"

    # No administrator is there any more: whoever is at the machine gets in for an hour.
    made = command(program, "emergency", "--why", "the only administrator has left")
    secret = made.stdout.strip()
    assert "opens everything until" in made.stderr
    assert '"emergency_access"' in made.stderr
    factory.until(lambda: may(factory, secret, "/audit") == 200, "the emergency's token opens nothing")
    program.wait_for_log("emergency_access_used")
    deeds = [row["did"] for row in factory.api.get("/audit", headers=bearer(secret)).json()]
    assert any(did.endswith("role admin, for 1 h: the only administrator has left") for did in deeds)
    assert secret not in program.log()

    # Who there is goes into a file that nobody else reads, and from it into a store that knows nobody.
    file = program.folder / "access.json"
    assert command(program, "accounts", "--export", str(file)).returncode == 0
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert command(program, "accounts", "--export", str(file)).returncode == 1
    elsewhere = ["--import", str(file)]
    program.environment["EARLYBELL_STORE__URL"] = f"sqlite:///{program.folder}/other.db"
    said = command(program, "accounts", *elsewhere).stdout
    assert "account Mira: made\n" in said
    assert "token gate: made\n" in said
    assert "account Mira: left as it is\n" in command(program, "accounts", *elsewhere).stdout
    assert "account Mira: act\n" in command(program, "accounts").stdout
