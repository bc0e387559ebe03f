"""A plant divided among three programs on one PostgreSQL and one broker: one is killed, the others don't
notice, nothing is lost or counted twice, and any of them answers for the whole plant."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

import pytest

from tests.support.divided import LOADED, Divided, Instance, divided
from tests.support.mosquitto import start_mosquitto
from tests.support.postgres import shared_postgres
from tests.support.wait import eventually

MORE = 40
"""Messages of each station while one program is dead."""


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Divided]:
    """Three programs for all tests of this file: each leaves them running and nothing to tell."""
    folder = tmp_path_factory.mktemp("shards")
    server = shared_postgres()
    name = server.create()
    broker = start_mosquitto(folder)
    try:
        with divided(broker, server.url(name), folder) as plant:
            yield plant
    finally:
        broker.remove()
        server.drop(name)


@pytest.fixture
def plant(running: Divided) -> Divided:
    running.turn_the_page()
    return running


def test_one_is_killed_under_load_the_others_go_on_and_what_was_said_meanwhile_is_counted_once(
    plant: Divided,
) -> None:
    victim, *others = plant.instances.values()
    with plant.under_load():
        for each in (victim, *others):
            plant.ring(each.line, 1)
        for each in (victim, *others):
            plant.until_told(each.line, ["opened"])
        victim.program.kill()
        at_death = dict(plant.made)
        for each in (victim, *others):
            plant.refill(each.line, 1)
        for each in others:
            plant.until_told(each.line, ["opened", "closed"])
            plant.until(each, lambda place, seq: seq > at_death[place] + MORE)
        told = plant.told(victim.line)
        assert [each.json["type"] for each in told] == ["earlybell.notice.opened"]
        others_know(plant, victim, others)
        victim.program.start()
        victim.ready()
        plant.until_told(victim.line, ["opened", "closed"])
    plant.until_counted()
    assert plant.left() == plant.books()
    assert uncertain(plant) == []
    for each in others:
        assert each.program.log().count('"action": "in_charge"') == 1
        assert len(plant.told(each.line)) == 2
    for each in plant.instances.values():
        keys = [(told.headers["webhook-id"], told.json["type"]) for told in plant.told(each.line)]
        assert len(dict.fromkeys(keys)) == 2, "each change came under one id"


def others_know(plant: Divided, victim: Instance, others: list[Instance]) -> None:
    """What the dead one had committed is shown by those that live."""
    for each in others:
        shown = plant.counted(each, [victim.line])
        assert shown.keys() == {(victim.line, "TOTAL"), (victim.line, "DELTA")}


def uncertain(plant: Divided) -> list[str]:
    return [
        f"{line['line']}/{station['station']}"
        for each in plant.instances.values()
        for line in each.get("/lines")
        for station in line["stations"]
        if station["uncertain_since"] is not None
    ]


def test_any_of_them_answers_for_the_whole_plant_and_passes_on_what_people_do(plant: Divided) -> None:
    first, second, last = plant.instances.values()
    plant.ring(first.line, 2)
    plant.until_told(first.line, ["opened"])
    lines = {each.line for each in plant.instances.values()}
    for each in plant.instances.values():
        eventually(partial(shows, each, lines), message=f"{each.name} doesn't show all lines")
    for line in lines:
        eventually(partial(agree, plant, line), message=f"they don't agree about {line}")
    [notice] = eventually(lambda: last.get("/notices"), message="it isn't shown elsewhere")
    assert (notice["line"], notice["state"]) == (first.line, "open")
    taken = second.http.post(f"/api/v1/notices/{notice['id']}/take", json={"by": "Ines"})
    assert (taken.status_code, taken.json()["taken_by"]) == (200, "Ines")
    where = f"/api/v1/lines/{first.line}/stations/BELL/slots/S/supply"
    body = {"change": "loaded", "quantity": LOADED, "by": "Ines"}
    filled = last.http.post(where, json=body, headers={"Idempotency-Key": "one tap"})
    assert (filled.status_code, filled.json()["remaining"]["book"]) == (200, LOADED)
    for each in plant.instances.values():
        eventually(partial(shows_no_notice, each), message=f"{each.name} still shows it")


def shows(through: Instance, lines: set[str]) -> bool:
    return {line["line"] for line in through.get("/lines")} == lines


def agree(plant: Divided, line: str) -> bool:
    """Whether all instances show the same of a line."""
    shown = [
        [
            (slot["station"], slot["slot"], slot["remaining"]["book"])
            for slot in each.get(f"/lines/{line}/slots")
        ]
        for each in plant.instances.values()
    ]
    return bool(shown[0]) and all(each == shown[0] for each in shown)


def shows_no_notice(through: Instance) -> bool:
    return bool(through.get("/notices") == [])


def test_a_named_supply_that_moves_to_another_shards_line_keeps_what_is_left_in_it(plant: Divided) -> None:
    first, second, _ = plant.instances.values()
    reel = {"slot": "R", "change": "loaded", "kind": "tape", "part": "R-10K", "supply": "reel 77"}
    plant.send(f"{first.line}/MOVES/supply", reel | {"id": "in", "quantity": 1000})
    for seq, placed in enumerate((0, 300), 1):
        body = {"session": "m", "seq": seq, "slots": {"R": {"placed": placed}}}
        plant.send(f"{first.line}/MOVES/count", body)
    eventually(lambda: book(first, first.line) == 700, message="it isn't counted")
    plant.send(f"{second.line}/MOVES/supply", reel | {"id": "moved"})
    eventually(lambda: book(second, second.line) == 700, message=lambda: f"{book(second, second.line)}")
    eventually(lambda: book(first, first.line) is None, message="it is in two places")


def book(through: Instance, line: str) -> int | None:
    """What is left in slot R at the line's station MOVES; unknown where nothing is loaded."""
    for slot in through.get(f"/lines/{line}/slots"):
        if (slot["station"], slot["slot"]) == ("MOVES", "R"):
            return slot["remaining"]["book"] if slot["remaining"] else None
    return None
