"""Outlets that people can trust, through the public face: seen, tested, previewed; a sign of life."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from tests.acceptance.conftest import StartFactory
from tests.support.factory import Factory
from tests.support.ports import free_port
from tests.support.processes import StartProgram
from tests.support.receivers import Answer, HttpReceiver, MailReceiver

VIENNA = ZoneInfo("Europe/Vienna")

TEST = "Test from Earlybell, Hollerbach, sent by badge 31: nothing to do."


@pytest.fixture
def watcher() -> Iterator[HttpReceiver]:
    with HttpReceiver() as watcher:
        yield watcher


def tray_runs_low(factory: Factory, slot: str) -> None:
    factory.gateway.send("L1/P1/recipe", recipe="r", usage={slot: 1})
    factory.gateway.send("L1/P1/count", session=slot, seq=1, panels=0, slots={slot: {"placed": 0}})
    factory.gateway.send("L1/P1/supply", id=slot, slot=slot, change="loaded", kind="tray", quantity=5)


def row(factory: Factory, name: str) -> dict[str, Any]:
    return {each["name"]: each for each in factory.get("/outlets")}[name]


def test_an_outlet_that_is_gone_is_seen_tested_and_takes_messages_again(factory: Factory) -> None:
    assert [(each["name"], each["state"]) for each in factory.get("/outlets")] == [
        ("hook", "new"),
        ("mail", "new"),
    ]
    factory.hook.answer(then=Answer(status=410))
    tray_runs_low(factory, "T1")
    gone = factory.until(lambda: row(factory, "hook")["state"] == "gone" and row(factory, "hook"), "not gone")
    assert (gone["last_error"], gone["last_success"], gone["dead"]) == ("answered 410 Gone", None, 1)
    assert gone["leads_to"] == "127.0.0.1"
    assert gone["notice"] in {each["id"] for each in factory.get("/notices")}
    factory.until(lambda: row(factory, "mail")["last_success"], "no mail went out")
    failed = factory.api.post("/outlets/hook/test", json={"by": "badge 31"})
    assert (failed.status_code, failed.json()["reason"]) == (200, "answered 410 Gone")

    factory.hook.answer()
    factory.until(
        lambda: factory.api.post("/outlets/hook/test", json={"by": "badge 31"}).json().get("delivered"),
        "the test doesn't get there",
    )
    heard = [each.json for each in factory.hook.received.all() if each.answered == 200]
    assert [each["data"]["message"] for each in heard if each["type"] == "earlybell.test"] == [TEST]
    factory.program.wait_for_log("outlet_tested")
    factory.until(lambda: row(factory, "hook")["state"] == "well", "it still counts as gone")
    tray_runs_low(factory, "T2")
    factory.hook.wait_for(lambda got: any(each.json["data"]["slot"] == "T2" for each in got))
    assert factory.hook.url not in factory.api.get("/outlets").text


def test_a_monitor_hears_that_it_lives_and_people_hear_it_once_a_day(
    start_factory: StartFactory, watcher: HttpReceiver
) -> None:
    alive = f'[heartbeat]\nurl = "{watcher.url}"\nevery_minutes = 0.01\nat = "00:00"\noutlets = ["mail"]'
    began = datetime.now(VIENNA).date()
    factory = start_factory(extra=alive)
    assert {request.path for request in watcher.wait_for(2)} == {"/hook"}
    letter, *_ = factory.mail.wait_for(1)
    assert letter.message["Subject"] == "Hollerbach: awake"
    assert letter.text().startswith(
        "Earlybell is awake at Hollerbach: 0 notices open, 0 warnings yesterday, all outlets well."
    )
    assert 'earlybell_heartbeats_out_total{outcome="sent"}' in factory.api.get(f"{factory.url}/metrics").text
    factory.until(lambda: row(factory, "mail")["last_success"], "the mail isn't seen")

    alive_now = factory.get("/heartbeat")
    assert (alive_now["leads_to"], alive_now["last_error"]) == ("127.0.0.1", None)
    assert alive_now["last_beat"] is not None

    watcher.answer(then=Answer(status=500))
    factory.program.wait_for_log("heartbeat_out_fails")
    factory.program.restart().wait_ready(factory.url)
    watcher.wait_for(len(watcher.received.all()) + 2)
    days = (datetime.now(VIENNA).date() - began).days + 1
    assert 1 <= len(factory.mail.received.all()) <= days
    assert factory.get("/notices") == []
    assert watcher.url not in factory.program.log()


def test_the_command_line_lists_tests_and_previews_without_a_service(start_program: StartProgram) -> None:
    with HttpReceiver() as room, MailReceiver() as mail:
        config = f"""
[site]
name = "Hollerbach"
[[outlet]]
name = "room"
type = "chat"
url = "{room.url}"
[[outlet]]
name = "mail"
type = "email"
to = "shift@hollerbach.example"
from = "bell@hollerbach.example"
smtp_url = "smtp://127.0.0.1:{mail.port}"
[[outlet]]
name = "nowhere"
type = "chat"
url = "http://127.0.0.1:{free_port()}/k3y"
"""

        def outlets(*words: str) -> tuple[int, str]:
            program = start_program("outlets", *words, config=config)
            return program.wait(timeout=60), program.log()

        code, said = outlets()
        assert (code, "mail: email, 127.0.0.1" in said) == (0, True)
        code, said = outlets("--all")
        assert (code, "room: delivered" in said, "mail: delivered" in said) == (1, True, True)
        assert ("nowhere: not delivered, connection refused" in said, "k3y" in said) == (True, False)
        assert room.wait_for(1)[0].json["text"].startswith("Test from Earlybell, Hollerbach: nothing to do.")
        assert mail.wait_for(1)[0].message["Subject"] == "Hollerbach: a test"
        code, said = outlets("--preview", "mail")
        assert (code, "Subject: L3 P1 slot T2: supply runs out" in said) == (0, True)
        code, said = outlets("--test", "elsewhere")
        assert (code, "there is no outlet 'elsewhere' (known: room, mail, nowhere)" in said) == (1, True)
        assert len(mail.received.all()) == 1
