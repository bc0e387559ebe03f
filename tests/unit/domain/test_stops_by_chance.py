"""Properties of stops, whatever happened: the pieces of a time add up to it, and who is held or gets nothing
is never blamed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as some

from service.domain.line_order import line_order
from service.domain.lost import lost_by_lines, lost_in
from service.domain.model import SECOND
from service.domain.stops import stretches
from service.domain.track import Cause, Counted, LineTrack, StationTrack, Stretch, TowerShown, Track, Used
from tests.support.story import START
from tests.support.tracks import MadeLine

HOUR = 3600
Stretches = Mapping[tuple[str, str], Sequence[Stretch]]
moments = some.integers(0, HOUR)
towers = some.tuples(moments, some.sampled_from(["out", "fault", "running", "none", "low"]))
counts = some.tuples(moments, some.integers(0, 3), some.integers(0, 40))
stations = some.tuples(some.lists(counts, max_size=60), some.lists(towers, max_size=12))
stands = some.dictionaries(
    some.tuples(some.sampled_from(["P1", "P2", "P3"]), some.integers(8, 50)),
    some.integers(8, 240).map(float),
    max_size=6,
)


def any_track(several: Sequence[tuple[list[tuple[int, int, int]], list[tuple[int, str]]]]) -> Track:
    """Stations that say anything at all."""
    line = LineTrack(line="L1")
    for number, (counted, shown) in enumerate(several):
        station = StationTrack(line="L1", station=f"P{number}")
        panels = 0
        for at, more, placed in sorted(counted):
            panels += more
            used = {"F1": Used(placed=placed, lost=None)}
            station.counts.append(Counted(at=START + at * SECOND, panels=panels, used=used))
        station.towers = [
            TowerShown(at=START + at * SECOND, reading=reading, lamps={}, slots=())
            for at, reading in sorted(shown)
        ]
        line.stations[station.station] = station
    return Track(since=START, until=START + HOUR * SECOND, lines={"L1": line})


@settings(max_examples=150, deadline=None)
@given(some.lists(stations, min_size=1, max_size=3))
def test_the_pieces_of_a_time_follow_one_another_and_add_up_to_it(several: list) -> None:
    track = any_track(several)
    for pieces in stretches(track).values():
        assert (pieces[0].since, pieces[-1].until) == (track.since, track.until)
        assert all(before.until == after.since for before, after in pairwise(pieces))
        assert all(piece.since < piece.until for piece in pieces)
        for piece in pieces:
            assert piece.stop is None or (piece.stop.since, piece.stop.until) == (piece.since, piece.until)
        lost = lost_in([pieces])
        whole = track.until // 1000 - track.since // 1000
        assert lost.worked + sum(lost.by_cause.values()) == lost.milliseconds == whole


@settings(max_examples=150, deadline=None)
@given(some.lists(stations, min_size=1, max_size=3))
def test_no_minute_of_a_line_is_lost_twice(several: list) -> None:
    track = any_track(several)
    lost = lost_by_lines(stretches(track), {"L1": line_order(track.lines["L1"])})
    fall = lost.waterfall
    assert lost.milliseconds == track.until // 1000 - track.since // 1000
    assert fall[0].milliseconds - sum(step.milliseconds for step in fall if not step.total) == lost.worked
    slots = sum(slot.milliseconds for slot in lost.by_slot)
    supplies = lost.by_cause.get(Cause.SUPPLY, 0) + lost.by_cause.get(Cause.EXCHANGE, 0)
    assert slots == supplies == sum(lost.by_part.values()) == sum(lost.by_kind.values())


@settings(max_examples=60, deadline=None, derandomize=True)
@given(stands, stands, some.booleans())
def test_who_was_held_or_got_nothing_is_not_blamed(out: dict, fault: dict, towers: bool) -> None:
    """Of the first station without a tower nobody can know."""
    line = MadeLine(
        out=out, fault={place: each for place, each in fault.items() if place not in out}, towers=towers
    )
    found = stretches(line.track())
    own = {place: (line.begun[place], line.done[place]) for place in (*line.out, *line.fault)}
    for (_, name), pieces in found.items():
        if name == "P1" and not towers:
            continue
        for piece in pieces:
            if piece.stop is None or not piece.stop.blamed:
                continue
            since, until = (piece.since - START) / SECOND, (piece.until - START) / SECOND
            by_itself = any(
                begun - 1 <= since and until <= done + 1
                for (station, _), (begun, done) in own.items()
                if station == name
            )
            assert by_itself, (name, piece.stop.cause, since, until)


@settings(max_examples=40, deadline=None)
@given(some.integers(10, 40), some.integers(10, 300), some.integers(1, 200))
def test_who_stands_longer_loses_no_less(panel: int, lasts: int, more: int) -> None:
    def lost(seconds: float) -> int:
        track = MadeLine(out={("P3", panel): seconds}, panels=50).track(until=2000.0)
        orders = {"L1": line_order(track.lines["L1"])}
        return lost_by_lines(stretches(track), orders).by_cause[Cause.SUPPLY]

    assert lost(lasts) < lost(lasts + more)
