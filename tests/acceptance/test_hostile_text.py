"""Hostile text through the whole program: in by topic and call, out by every way there is."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from typing import Any

from tests.acceptance.conftest import StartFactory
from tests.integration.test_hostile_text import check_letter
from tests.support.factory import Factory
from tests.support.hostile import BEYOND, HOSTILE, NAMES, chunks, invisible
from tests.support.receivers import HttpReceiver, Request


def make_due(factory: Factory, station: str, slot: str, text: str) -> None:
    factory.gateway.send(f"L1/{station}/recipe", recipe=text, usage={slot: 1}, parts={slot: text})
    said: dict[str, Any] = dict.fromkeys(("part", "lot", "by", "supply", "id"), text)
    factory.gateway.send(f"L1/{station}/supply", slot=slot, change="loaded", kind="tray", quantity=12, **said)
    factory.gateway.send(f"L1/{station}/count", session=text, seq=1, panels=0, slots={slot: {"placed": 0}})
    factory.gateway.send(f"L1/{station}/count", session=text, seq=2, panels=3, slots={slot: {"placed": 3}})


def test_text_of_all_kinds_is_text_wherever_it_is_shown(start_factory: StartFactory) -> None:
    with HttpReceiver() as chat:
        extra = f'[[outlet]]\nname = "chat"\ntype = "chat"\nurl = "{chat.url}"\n'
        factory = start_factory(extra=extra)
        texts = chunks()
        for number, text in enumerate(texts):
            make_due(factory, f"P{number}", NAMES[number % len(NAMES)], text)
        opened = factory.until(
            lambda: found if len(found := factory.get("/notices")) == len(texts) else None,
            "not every notice opened",
        )
        assert sorted(each["part"] for each in opened) == sorted(texts)
        stations = {each["station"] for each in opened}
        said = [got.json["text"] for got in chat.wait_for(lambda got: _named(got) >= stations, within=30)]
        assert not [each for each in said if set(each) & set("<>@[]`*~") or invisible(each)]
        for each in opened:
            taken = factory.api.post(f"/notices/{each['id']}/take", json={"by": each["part"]})
            assert taken.json()["taken_by"] == each["part"]
            ended = {"by": each["part"], "reason": each["part"]}
            assert factory.api.post(f"/notices/{each['id']}/close", json=ended).status_code == 200
        loaded = {"change": "loaded", "part": texts[0], "lot": texts[0], "by": texts[0], "quantity": 5}
        answer = factory.api.post("/lines/L1/stations/P0/slots/S9/supply", json=loaded)
        assert answer.json()["part"] == texts[0]

        hooked = factory.hook.wait_for(3 * len(texts), within=30)
        assert {each.json["data"]["part"] for each in hooked} == set(texts)
        for mail in factory.mail.received.all():
            check_letter(mail, to="shift@hollerbach.example", link="http")
        _check_export(factory, texts)
        _check_log(factory)


def _named(chats: Sequence[Request]) -> set[str]:
    """The stations that the messages speak of."""
    return {name for each in chats for name in re.findall(r"P\d+", each.json["text"])}


def _check_export(factory: Factory, texts: list[str]) -> None:
    lines = factory.api.get("/events").content.split(b"\n")
    events = [json.loads(line) for line in lines if line]
    parts = {event["data"].get("part") for event in events if event["type"] == "earlybell.floor.supply"}
    assert parts == set(texts)


def _check_log(factory: Factory) -> None:
    """One line for each event, each of them ours, and nothing in them that acts on a terminal."""
    text = factory.program.log_path.read_bytes().decode()
    assert not invisible(text)
    lines = [json.loads(line) for line in text.split("\n") if line]
    assert all({"at", "level", "action"} <= line.keys() for line in lines)
    assert "forged" not in {line["action"] for line in lines}


def test_what_no_text_may_be_is_refused_and_the_reason_is_text(start_factory: StartFactory) -> None:
    factory = start_factory()
    for value in BEYOND.values():
        body = b'{"slot": "T1", "change": "loaded", "quantity": 5, "part": ' + value + b"}"
        factory.gateway.send_raw("floor/L1/P1/supply", body)
        answer = factory.api.post("/lines/L1/stations/P1/slots/T1/supply", content=body)
        assert answer.status_code == 422
        assert not invisible(answer.json()["detail"])
    factory.gateway.send_raw("floor/L1/P1/" + HOSTILE["script"].replace("/", "-"), b"{}")
    factory.gateway.send_raw("floor/L1/" + HOSTILE["turned"] + "/count", b"{}")
    refused = factory.until(
        lambda: found if len(found := factory.get("/refused")) == len(BEYOND) + 2 else None, "not all refused"
    )
    assert all(row["reason"] for row in refused)
    assert factory.slot("L1", "T1") == {}
    _check_log(factory)


def test_ten_thousand_invented_topics_fill_neither_memory_nor_disk_nor_the_plant(
    start_factory: StartFactory,
) -> None:
    factory = start_factory()
    factory.gateway.send("L1/P1/count", session="a", seq=1, panels=0, slots={"T1": {"placed": 0}})
    factory.gateway.send("L1/P1/supply", slot="T1", change="loaded", quantity=500, id="1")
    factory.gateway.send_all([(f"L1/X{n}/link", {"state": "online"}) for n in range(10_000)])
    factory.gateway.send_raw("floor/L1/P1/count", b'{"x": "' + b"x" * 256 * 1024 + b'"}', retain=True)
    factory.gateway.send("L1/P1/count", session="a", seq=2, panels=1, slots={"T1": {"placed": 1}})
    assert factory.until_counted("L1", "T1", seq=2)["remaining"]["book"] == 499
    (line,) = factory.get("/lines")
    assert len(line["stations"]) == 1_000
    refused = factory.get("/refused", limit=1000)
    assert {"station X5000 is new, and 1000 stations of line L1 are known already"} & {
        row["reason"] for row in _all_refused(factory)
    }
    assert any("bytes" in row["reason"] for row in refused)
    size = sum(path.stat().st_size for path in factory.program.folder.glob("earlybell.db*"))
    assert size < 64 * 2**20


def _all_refused(factory: Factory) -> list[dict[str, str]]:
    rows = factory.get("/refused", limit=1000)
    while page := factory.get("/refused", limit=1000, after=rows[-1]["id"]):
        rows += page
    return rows
