"""Who may do what, with the program as it is run: first start, commands, a link from a message."""

from __future__ import annotations

import json
import re
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.support.factory import Factory
from tests.support.ports import free_port
from tests.support.processes import Program, StartProgram, run_loaded
from tests.support.receivers import HttpReceiver
from tests.support.wait import eventually

StartFactory = Callable[..., Factory]
PASSWORD = "correct horse 31"


def command(program: Program, *words: str, said: str = "") -> subprocess.CompletedProcess[str]:
    """``earlybell …`` beside a program that runs, with its configuration."""
    configured = program.command[program.command.index("--config") :]
    done = run_loaded(
        [*words, *configured], folder=program.folder, environment=program.environment, said=said.encode()
    )
    return subprocess.CompletedProcess(done.args, done.returncode, done.stdout.decode(), done.stderr.decode())


def bearer(secret: str) -> dict[str, str]:
    return {"authorization": f"Bearer {secret}"}


def everything_kept(folder: Path) -> bytes:
    return b"".join(path.read_bytes() for path in folder.rglob("*") if path.is_file())


@pytest.fixture
def chat() -> Iterator[Any]:
    with HttpReceiver() as hook:
        yield hook


def test_on_this_machine_it_is_open_until_the_first_account_or_token_is_made(factory: Factory) -> None:
    assert factory.api.get("/lines").status_code == 200
    made = command(factory.program, "token", "gate", "--role", "act", "--days", "30")
    secret = made.stdout.strip()
    assert (made.returncode, bool(re.fullmatch(r"eb_[\w-]{43}", secret))) == (0, True)
    factory.until(lambda: factory.api.get("/lines").status_code == 401, "still open to all")
    for path in ("/metrics", "/openapi.json", "/", "/api/v1/audit"):
        assert httpx.get(factory.url + path, trust_env=False).status_code == 401
    assert httpx.get(f"{factory.url}/healthz", trust_env=False).status_code == 200
    assert factory.api.get("/lines", headers=bearer(secret)).status_code == 200
    assert factory.api.get("/audit", headers=bearer(secret)).status_code == 403
    listed = command(factory.program, "accounts").stdout
    assert re.fullmatch(r"token gate: act, last used \S+, expires \S+\n", listed)
    assert secret.encode() not in everything_kept(factory.program.folder)
    assert command(factory.program, "token", "gate", "--end").returncode == 0
    factory.until(
        lambda: factory.api.get("/lines", headers=bearer(secret)).status_code == 401, "an ended token works"
    )
    # What happens on the floor is nobody's to sign in for.
    factory.gateway.send("L3/P1/count", session="a", seq=1, panels=0, slots={"T2": {"placed": 0}})
    admin = command(factory.program, "token", "boss", "--role", "admin").stdout.strip()
    factory.api.headers.update(bearer(admin))
    factory.until_counted("L3", "T2", seq=1)
    deeds = [row["did"] for row in factory.get("/audit")]
    assert deeds == ["make token boss, role admin", "end token gate", "make token gate, role act"]


def test_a_password_comes_from_a_pipe_and_its_account_signs_in(factory: Factory) -> None:
    made = command(factory.program, "account", "Mira", "--role", "act", said=PASSWORD + "\n")
    assert (made.returncode, made.stdout) == (0, "account Mira: made, role act\n")
    with httpx.Client(base_url=factory.url, trust_env=False) as browser:
        eventually(lambda: browser.get("/api/v1/lines").status_code == 401, timeout=10, message="open")
        form = {"name": "mira", "password": PASSWORD, "next": "/?line=L1"}
        answer = browser.post("/sign-in", data=form, headers={"origin": factory.url})
        assert (answer.status_code, answer.headers["location"]) == (303, "/?line=L1")
        assert browser.get("/api/v1/lines").status_code == 200
        command(factory.program, "account", "Mira", "--end")
        eventually(
            lambda: browser.get("/api/v1/lines").status_code == 401, timeout=10, message="its session goes on"
        )
    assert PASSWORD.encode() not in everything_kept(factory.program.folder)


@pytest.mark.parametrize(
    ("words", "said", "problem"),
    [
        (["account", "Mira", "--role", "act"], "short\n", "10 to 256 characters"),
        (["account", "Mira long name", "--role", "act"], "mira long name\n", "must not be the name"),
        (["account", " ", "--role", "act"], PASSWORD, "1 to 64 printable"),
        (["account", "Mira", "--end"], "", "no account 'Mira'"),
        (["token", "gate", "--end"], "", "no token 'gate'"),
        (["token", "gate", "--role", "act", "--days", "0"], "", "--days: from 1"),
    ],
)
def test_what_does_not_fit_is_named(
    start_program: StartProgram, words: list[str], said: str, problem: str
) -> None:
    program = start_program("check", config="")
    program.wait()
    answer = command(program, *words, said=said)
    assert (answer.returncode, problem in answer.stderr) == (1, True), answer.stderr


def test_no_password_is_taken_as_an_argument(start_program: StartProgram) -> None:
    assert start_program("account", "Mira", "--role", "act", "--password", PASSWORD).wait() == 2


def test_reached_from_elsewhere_with_nothing_configured_it_makes_a_token_and_shows_it_once(
    start_program: StartProgram, broker: Any
) -> None:
    port = free_port()
    config = f'[web]\nhost = "0.0.0.0"\nport = {port}\n[mqtt]\nurl = "{broker.url}"\n'
    program, url = start_program("run", config=config), f"http://127.0.0.1:{port}"
    program.wait_ready(url)
    secret = json.loads(program.wait_for_log("first_token"))["token"]
    assert httpx.get(f"{url}/api/v1/lines", trust_env=False).status_code == 401
    answer = httpx.get(f"{url}/api/v1/audit", headers=bearer(secret), trust_env=False)
    assert [row["did"] for row in answer.json()] == ["make token first-run, role admin"]
    program.restart().wait_ready(url)
    assert program.log().count(secret) == program.log().count("first_token") == 1
    assert httpx.get(f"{url}/api/v1/lines", headers=bearer(secret), trust_env=False).status_code == 200
    kept = b"".join(path.read_bytes() for path in program.folder.glob("earlybell.db*"))
    assert secret.encode() not in kept


def test_the_link_in_a_message_acts_for_its_one_notice_and_stands_in_no_log(
    start_factory: StartFactory, chat: Any
) -> None:
    extra = f'[[outlet]]\nname = "line-2"\ntype = "chat"\nurl = "{chat.url}"\n'
    factory = start_factory(extra=extra)
    admin = command(factory.program, "token", "boss", "--role", "admin").stdout.strip()
    factory.until(lambda: factory.api.get("/lines").status_code == 401, "still open to all")
    factory.gateway.send("L1/P1/recipe", recipe="r", usage={"T1": 1})
    factory.gateway.send("L1/P1/count", session="a", seq=1, panels=0, slots={"T1": {"placed": 0}})
    factory.gateway.send("L1/P1/supply", id="1", slot="T1", change="loaded", kind="tray", quantity=5)
    told = chat.wait_for(1)[0].json["text"]
    link = re.search(r"(http\S+)/notice/(\S+)#key=(el_[\w-]{43})", told)
    assert link, told
    notice, key = link[2], link[3]
    mail = factory.mail.received.wait_for(1)[0].message
    assert "#key=el_" in mail.as_string().replace("=\n", "").replace("=3D", "=")
    assert "el_" not in factory.hook.wait_for(1)[0].body.decode()

    page = httpx.get(f"{factory.url}/notice/{notice}", trust_env=False)
    assert (page.status_code, "T1" in page.text) == (200, False)
    seen = factory.api.get(f"/notices/{notice}", headers=bearer(key)).json()
    assert (seen["state"], seen["slot"]) == ("open", "T1")
    taken = factory.api.post(f"/notices/{notice}/take", headers=bearer(key), json={"by": "Ada"}).json()
    assert taken["taken_by"] == "Ada (link to line-2)"
    assert factory.api.get("/lines", headers=bearer(key)).status_code == 403

    assert command(factory.program, "end-links", notice).stdout.endswith("links ended\n")
    factory.until(
        lambda: factory.api.get(f"/notices/{notice}", headers=bearer(key)).status_code == 401,
        "it still opens",
    )
    (row,) = (row for row in factory.api.get("/audit", headers=bearer(admin)).json() if row["kind"] == "link")
    assert (row["who"], row["by"]) == ("link to line-2", "Ada (link to line-2)")
    assert key.encode() not in everything_kept(factory.program.folder)
