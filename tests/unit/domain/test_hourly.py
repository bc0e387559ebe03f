"""An hour in figures: panels, parts, why it stood and for how long, what the warnings were worth."""

from __future__ import annotations

from dataclasses import replace

from service.domain.history import Outcome
from service.domain.hourly import HOUR, LineHour, SlotHour, hours_of
from service.domain.model import SECOND, Change
from service.domain.notices import Told
from service.domain.track import Cause, Counted, LineTrack, StationTrack, Stop, Stretch, Track, Used
from tests.support.notices import notice

MINUTE = 60 * SECOND
TEN = 10 * HOUR


def at(minute: float) -> int:
    """Minutes after ten."""
    return TEN + round(minute * MINUTE)


def stretch(since: float, until: float, cause: Cause | None = None, slot: str | None = None) -> Stretch:
    if cause is None:
        return Stretch(since=at(since), until=at(until))
    stop = Stop(
        line="L3",
        station="P1",
        since=at(since),
        until=at(until),
        cause=cause,
        confidence=0.9,
        slot=slot,
        part="R-10K" if slot else None,
        kind="tape" if slot else None,
    )
    return Stretch(since=stop.since, until=stop.until, stop=stop)


def counted(minute: float, panels: int, **used: tuple[int, int | None]) -> Counted:
    what = {slot: Used(placed=placed, lost=lost) for slot, (placed, lost) in used.items()}
    return Counted(at=at(minute), panels=panels, used=what)


def hours(
    *stretches: Stretch,
    counts: tuple[Counted, ...] = (),
    since: float = 0,
    until: float = 60,
    progress: int = 100,
    track: Track | None = None,
) -> list[LineHour]:
    seen = track or Track(since=at(since), until=at(until))
    station = StationTrack(line="L3", station="P1", progress=progress, counts=list(counts))
    station.parts["F07"] = ("R-10K", "tape")
    seen.lines["L3"] = LineTrack(line="L3", stations={"P1": station})
    return hours_of(seen, {("L3", "P1"): stretches}, {"L3": ["P1"]})


def test_the_milliseconds_by_cause_and_at_work_make_up_the_hour() -> None:
    third = 20 + 1 / 3 / 1000 / 60  # edges between two milliseconds
    (hour,) = hours(
        stretch(0, third),
        stretch(third, 30, Cause.SUPPLY, "F07"),
        stretch(30, 31, Cause.HELD),
        stretch(31, 60),
    )
    station = hour.stations["P1"]
    assert station.worked_ms + sum(station.stood_ms.values()) == 3_600_000
    assert station.stood_ms == {"held": 60_000, "supply": 600_000}
    assert station.stops == {"held": 1, "supply": 1}
    assert station.slots["F07"] == SlotHour(part="R-10K", kind="tape", cost_ms=600_000, stops=1)
    assert station.cost_ms == {"held": 60_000, "supply": 600_000}


def test_a_stop_over_two_hours_has_its_time_in_both_and_counts_in_the_first() -> None:
    one, two = hours(stretch(0, 50), stretch(50, 70, Cause.FAULT), stretch(70, 120), until=120)
    assert [each.begin for each in (one, two)] == [TEN, TEN + HOUR]
    assert [each.stations["P1"].stood_ms["fault"] for each in (one, two)] == [600_000, 600_000]
    assert [each.stations["P1"].stops for each in (one, two)] == [{"fault": 1}, {}]


def test_what_went_on_when_the_time_began_began_before_it() -> None:
    (hour,) = hours(stretch(0, 10, Cause.FAULT), stretch(10, 60))
    assert hour.stations["P1"].stood_ms == {"fault": 600_000}
    assert hour.stations["P1"].stops == {}


def test_panels_and_parts_are_those_of_the_hour_and_only_slots_that_lost_are_named() -> None:
    one, two = hours(
        stretch(0, 120),
        counts=(
            counted(10, 104, F07=(72, 1), F08=(4, 0)),
            counted(50, 110, F07=(108, None)),
            counted(61, 111, F08=(1, 0)),
        ),
        until=120,
    )
    first, second = one.stations["P1"], two.stations["P1"]
    assert (first.panels, first.placed, first.lost) == (10, 184, 1)
    assert first.slots == {"F07": SlotHour(part="R-10K", kind="tape", placed=180, lost=1)}
    assert (second.panels, second.placed, second.lost) == (1, 1, 0)
    assert (one.panels, two.panels) == (10, 1)


def test_of_an_hour_in_which_nothing_was_heard_the_numbers_are_not_known() -> None:
    (silent,) = hours(stretch(0, 60, Cause.UNHEARD))
    assert silent.panels is None
    assert silent.stations["P1"].placed is None
    (stood,) = hours(stretch(0, 60, Cause.NO_ORDER))
    assert (stood.panels, stood.stations["P1"].lost) == (0, None)


def outcome(minute: float, *, given: int | None, late: float, apart: bool = False) -> Outcome:
    missed = given == 0
    return Outcome(at(minute), "L3", "P1", "F07", 10, given, late, 0.1, None, None if missed else True, apart)


def test_warnings_are_in_time_late_or_missed_when_that_became_known() -> None:
    track = Track(since=TEN, until=TEN + HOUR)
    track.told = [
        (at(1), Told(notice(), Change.OPENED)),
        (at(2), Told(notice(kind="silent"), Change.OPENED)),
        (at(3), Told(notice(level="urgent"), Change.CHANGED)),
        (at(4), Told(notice(line="L4"), Change.OPENED)),
    ]
    track.outcomes = [
        ("tape", outcome(5, given=12, late=0.0)),
        ("tape", outcome(6, given=None, late=0.25)),
        ("tape", outcome(7, given=3, late=1.0)),
        ("tape", outcome(8, given=0, late=1.0)),
        ("tape", outcome(9, given=0, late=1.0, apart=True)),
        ("tape", outcome(61, given=12, late=0.0)),
    ]
    (hour,) = hours(stretch(0, 60), track=track)
    assert (hour.opened, hour.in_time, hour.late, hour.missed) == (1, 1.75, 1.25, 1)


def test_what_the_line_lost_is_put_down_to_the_station_and_slot_that_began_it() -> None:
    """P1 ran out for ten minutes; P2, the last one, had work for four of them, so the line lost six."""
    out = Stop(
        line="L3",
        station="P1",
        since=at(10),
        until=at(20),
        cause=Cause.SUPPLY,
        confidence=0.9,
        slot="F07",
        part="R-10K",
        kind="tape",
    )
    idle = replace(out, station="P2", since=at(14), cause=Cause.STARVED, slot=None, because_of="P1")
    track = Track(since=at(0), until=at(60))
    stations = {name: StationTrack(line="L3", station=name) for name in ("P1", "P2")}
    track.lines["L3"] = LineTrack(line="L3", stations=stations)
    first = [stretch(0, 10), Stretch(since=at(10), until=at(20), stop=out), stretch(20, 60)]
    last = [stretch(0, 14), Stretch(since=at(14), until=at(20), stop=idle), stretch(20, 60)]
    (hour,) = hours_of(track, {("L3", "P1"): first, ("L3", "P2"): last}, {"L3": ["P1", "P2"]})
    one, two = hour.stations["P1"], hour.stations["P2"]
    assert (one.stood_ms, one.cost_ms) == ({"supply": 600_000}, {"supply": 360_000})
    assert (two.stood_ms, two.cost_ms) == ({"starved": 360_000}, {})
    assert one.slots["F07"] == SlotHour(part="R-10K", kind="tape", cost_ms=360_000, stops=1)
