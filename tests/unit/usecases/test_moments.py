"""The road ahead as it was: the same numbers that were shown then, of the soonest slots, no more moments than
fit."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from service.domain.events import JournalEntry
from service.domain.model import Instant, to_rfc3339
from service.domain.notices import Told
from service.domain.state import LineState
from service.domain.world import World
from service.usecases.moments import EVERY, MOST, ROWS, Moments
from service.usecases.observe import observe
from service.usecases.show import slot_objects
from simulators.scenario import load_scenario, shipped
from tests.support.shifts import shift
from tests.support.story import START

Json = dict[str, Any]


class Beside:
    """Looks first, and keeps what the live page would have shown whenever a moment was kept."""

    def __init__(self) -> None:
        self.moments = Moments()
        self.shown: dict[tuple[str, str], list[Json]] = {}

    def look(self, world: World, at: Instant, entry: JournalEntry, told: list[Told]) -> None:
        before = {name: len(line.moments) + len(line.outs) for name, line in self.moments.lines.items()}
        self.moments.look(world, at, entry, told)
        for name, line in self.moments.lines.items():
            if len(line.moments) + len(line.outs) != before.get(name, 0):
                self.shown[name, to_rfc3339(at)] = slot_objects(world, world.stations_of(name))


@pytest.fixture(scope="module")
def beside() -> Beside:
    beside = Beside()
    observe(shift(load_scenario(shipped()["demo"]), hours=0.75).lines, watch=[beside])
    return beside


def test_each_moment_shows_what_was_shown_then(beside: Beside) -> None:
    compared = 0
    for line in beside.moments.objects():
        for moment in line["moments"]:
            live = beside.shown[line["line"], moment["at"]]
            then = {(str(each["station"]), str(each["slot"])): each for each in live}
            for place, p05, p50, p95, level, _ in moment["rows"]:
                slot = line["slots"][place]
                shown = then[slot["station"], slot["slot"]]
                assert shown["state"] == {"ok": "ok", "early": "due"}.get(level, level)
                assert shown["part"] == slot["part"]
                if level != "empty":
                    panels = shown["panels_to_empty"]
                    assert (p05, p50, p95) == tuple(panels[name] for name in ("p05", "p50", "p95"))
                    compared += 1
    assert compared > 100


def test_the_soonest_are_in_it_the_soonest_first(beside: Beside) -> None:
    for line in beside.moments.objects():
        for moment in line["moments"]:
            live = beside.shown[line["line"], moment["at"]]
            known = [each for each in live if each["state"] in ("ok", "due", "urgent", "empty")]
            soonest = [(each["station"], each["slot"]) for each in known if each["panels_to_empty"]][:3]
            kept = [
                (line["slots"][row[0]]["station"], line["slots"][row[0]]["slot"]) for row in moment["rows"]
            ]
            assert set(soonest) <= set(kept), moment["at"]
            assert len(kept) <= ROWS
            ends = [row[2] for row in moment["rows"] if row[4] != "empty"]
            assert ends == sorted(ends)


def test_a_long_time_has_no_more_moments_than_a_short_one_evenly_apart() -> None:
    world, moments = World(), Moments()
    world.lines["L1"] = LineState("L1")
    for number in range(1500):
        at = START + number * EVERY
        moments.look(world, at, JournalEntry(at, "time", "", b"", False), [])
    kept = [each["at"] for each in moments.objects()[0]["moments"]]
    assert MOST / 2 <= len(kept) <= MOST
    assert kept[0] == to_rfc3339(START)
    hours = [int(each[11:13]) * 60 + int(each[14:16]) for each in kept]
    assert len({(after - before) % 1440 for before, after in pairwise(hours)}) == 1
