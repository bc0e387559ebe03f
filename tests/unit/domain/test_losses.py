"""Which slots lost too much, since when, and how that is said."""

from __future__ import annotations

from datetime import UTC
from itertools import pairwise
from time import process_time

import numpy as np
import pytest

from service.domain.depletion import Belief
from service.domain.losses import Segment, SlotLosses, calm_times, losses_of
from service.domain.losses_shown import losses_objects
from service.domain.model import SECOND, from_datetime, to_datetime
from service.domain.reviewing import ReviewRules
from service.domain.said import Said, put
from service.domain.track import Counted, LineTrack, StationTrack, Supplied, Track, Used

SIX = from_datetime(to_datetime(1_772_409_600 * SECOND).replace(hour=6))
TAKT = 30 * SECOND
PANELS = 960
RISE = 520
"""10:20 of a shift that began at six."""


def track(
    slots: dict[str, np.ndarray], *, seed: int = 3, takt: int = TAKT, supplies: list[Supplied] | None = None
) -> Track:
    """A station whose slots lose at these rates, panel by panel."""
    rng = np.random.default_rng(seed)
    station = StationTrack(line="L3", station="P1", parts={name: (f"R-{name}", "tape") for name in slots})
    placed = {name: rng.poisson(12, PANELS) + 1 for name in slots}
    lost = {name: rng.binomial(placed[name], rate) for name, rate in slots.items()}
    station.counts = [
        Counted(
            at=SIX + (panel + 1) * takt,
            panels=panel + 1,
            used={name: Used(placed=int(placed[name][panel]), lost=int(lost[name][panel])) for name in slots},
        )
        for panel in range(PANELS)
    ]
    station.supplies = supplies or []
    lines = {"L3": LineTrack(line="L3", stations={"P1": station})}
    return Track(since=SIX, until=SIX + PANELS * takt, lines=lines)


def rates(*parts: tuple[int, float]) -> np.ndarray:
    return np.concatenate([np.full(panels, rate) for panels, rate in parts])


def steady(number: int, rate: float = 0.004) -> dict[str, np.ndarray]:
    return {f"F{each:02d}": rates((PANELS, rate)) for each in range(10, 10 + number)}


def loaded(at: int) -> Supplied:
    return Supplied(
        at=at,
        slot="F07",
        change="loaded",
        part="R-F07",
        kind="tape",
        lot="A1",
        left=9,
    )


def one(losses: list[SlotLosses], slot: str = "F07") -> SlotLosses:
    return next(each for each in losses if each.slot == slot)


def sentence(said: Said | None) -> str:
    return "" if said is None else put(said, UTC)


def test_a_slot_that_loses_four_times_what_is_normal_is_first_and_said_since_when() -> None:
    worse = {"F07": rates((RISE, 0.006), (PANELS - RISE, 0.024))}
    losses = losses_of(track(steady(20) | worse))
    first = losses[0]
    assert first.slot == "F07"
    assert first.worst is not None
    assert first.worst.since is not None
    assert first.worst.times == pytest.approx(4, rel=0.25)
    assert abs(first.worst.since - (SIX + RISE * TAKT)) <= 8 * TAKT
    assert sentence(first.said).startswith("F07 loses ")
    assert sentence(first.said)[:-1].endswith(" times what is normal since 10:2")
    assert [each.said for each in losses[1:]] == [None] * 20


def test_the_words_of_the_sentence() -> None:
    values: dict[str, str | float] = {"slot": "F07", "times": 4.0, "since_at": "2026-03-02T10:20:00.000Z"}
    text = "{slot} loses {times} times what is normal since {since_at}"
    assert put(Said(text, values), UTC) == "F07 loses 4 times what is normal since 10:20"


def test_a_rise_that_is_over_is_said_from_when_to_when() -> None:
    slot = one(losses_of(track({"F07": rates((300, 0.006), (200, 0.03), (460, 0.006))})))
    assert slot.said is not None
    assert slot.said.text == "{slot} lost {times} times what is normal from {since_at} to {until_at}"
    assert len(slot.segments) == 3


@pytest.mark.parametrize(
    ("rows", "calm"),
    [
        ([(2900, 6), (1000, 26), (11_700, 41)], [0, 2]),  # a spell
        ([(16_700, 41), (5900, 0), (7200, 20)], [0, 1, 2]),  # good luck in between
        ([(9000, 20), (9000, 90)], [0]),
        ([(9000, 90), (9000, 20)], [1]),
        ([(300, 9), (9000, 20), (9000, 90)], [1]),  # too short to be normal
    ],
)
def test_what_is_normal_is_how_it_began_or_ended_and_what_differs_by_chance_alone(rows, calm) -> None:
    segments = [
        Segment(since=0, until=1, earliest=0, latest=1, picks=picks, lost=lost) for picks, lost in rows
    ]
    found = calm_times(segments)
    assert sorted(number for number, each in enumerate(segments) if each in found) == calm


def test_a_slot_that_was_mended_lost_too_much_until_then() -> None:
    slot = one(losses_of(track({"F07": rates((RISE, 0.03), (PANELS - RISE, 0.006))})))
    assert slot.said is not None
    assert slot.said.text == "{slot} lost {times} times what is normal until {until_at}"


def test_a_rise_that_begins_with_an_exchange_is_said_so() -> None:
    supply = loaded(SIX + RISE * TAKT + SECOND)
    slot = one(losses_of(track({"F07": rates((RISE, 0.003), (PANELS - RISE, 0.03))}, supplies=[supply])))
    assert sentence(slot.said).endswith(" times what is normal since the exchange at 10:20")
    assert slot.worst is not None
    assert slot.worst.exchange is supply


def test_with_two_exchanges_near_it_neither_is_named() -> None:
    both = [loaded(SIX + RISE * TAKT + each * SECOND) for each in (1, 2)]
    slot = one(losses_of(track({"F07": rates((RISE, 0.003), (PANELS - RISE, 0.03))}, supplies=both)))
    assert slot.worst is not None
    assert slot.worst.exchange is None


def test_a_slot_that_never_lost_a_part_before_is_measured_by_half_a_part() -> None:
    slot = one(losses_of(track({"F07": rates((RISE, 0.0), (PANELS - RISE, 0.02))})))
    assert slot.worst is not None
    assert slot.normal == pytest.approx(0.5 / (slot.segments[0].picks + 0.5))


def test_what_was_learned_of_the_kind_counts_as_known_before() -> None:
    shift = track({"F07": rates((RISE, 0.0), (PANELS - RISE, 0.02))})
    slot = one(losses_of(shift, usual=lambda kind, part: Belief(2.0, 1000.0)))
    assert slot.normal == pytest.approx(2.0 / (slot.segments[0].picks + 1002.0))


def test_a_slot_that_was_bad_all_the_time_is_seen_against_what_its_kind_taught() -> None:
    shift = track(steady(5) | {"F07": rates((PANELS, 0.04))})
    assert one(losses_of(shift)).said is None
    slot = one(losses_of(shift, usual=lambda kind, part: Belief(10.0, 2500.0)))
    assert slot.normal_from == "learned"
    assert slot.said is not None
    assert sentence(slot.said).endswith(" times what is usual for its kind of supply")


def test_without_anything_to_say_those_come_first_that_lost_most_beyond_their_like() -> None:
    losses = losses_of(track({"F10": rates((PANELS, 0.002)), "F11": rates((PANELS, 0.01))}))
    assert [each.slot for each in losses] == ["F11", "F10"]
    assert {each.normal_from for each in losses} == {"alike"}
    assert sum(each.excess for each in losses) == pytest.approx(0.0, abs=1e-9)


def test_a_slot_whose_losses_nobody_told_is_not_judged() -> None:
    shift = track(steady(1))
    station = shift.lines["L3"].stations["P1"]
    station.counts.append(Counted(at=shift.until, panels=PANELS + 1, used={"F99": Used(placed=9, lost=None)}))
    assert [each.slot for each in losses_of(shift)] == ["F10"]


def test_a_point_of_a_chart_has_its_own_limits_and_all_of_them_are_the_slots_picks() -> None:
    shift = track({"F07": rates((RISE, 0.006), (PANELS - RISE, 0.024))})
    (said,) = losses_objects(losses_of(shift), ReviewRules(), UTC)
    points = said["p_chart"]["points"]
    assert sum(each["picks"] for each in points) == said["picks"]
    assert sum(each["lost"] for each in points) == said["lost"]
    assert (points[0]["from"], points[-1]["to"]) == ("2026-03-02T06:00:00.000Z", "2026-03-02T14:00:00.000Z")
    assert all(before["to"] == after["from"] for before, after in pairwise(points))
    assert said["p_chart"]["center"] == said["normal"]["share"]
    assert said["ewma"]["points"][-1]["beyond"]
    assert said["changes"][0]["earliest"] <= said["changes"][0]["at"] <= said["changes"][0]["latest"]
    assert said["sentence"] == sentence(losses_of(shift)[0].said)


def test_a_slot_with_few_losses_has_no_chart() -> None:
    (said,) = losses_objects(losses_of(track({"F07": rates((PANELS, 0.0005))})), ReviewRules(), UTC)
    assert (said["p_chart"], said["ewma"], said["said"]) == (None, None, None)


def test_the_losses_of_four_hundred_slots_and_eight_hours_are_judged_in_a_second() -> None:
    slots = {f"F{number:03d}": rates((PANELS, 0.004)) for number in range(400)}
    shift = track(slots)
    began = process_time()
    objects = losses_objects(losses_of(shift), ReviewRules(), UTC)
    assert process_time() - began < 1.0  # a quarter of it on a core that isn't shared
    assert len(objects) == 20
