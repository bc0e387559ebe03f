"""What came of each source: sums, the last refusal, the rate of the last five minutes, clocks and holes."""

from __future__ import annotations

import pytest

from service.domain.heard import Source, SourceClock
from service.domain.model import SECOND
from service.domain.state import StationState
from service.usecases.batch import Committed, Heard
from service.usecases.figures import Figures
from service.usecases.gateways import Gateways
from service.wire.own import NativeTranslator
from tests.support.story import START

MINUTE = 60 * SECOND


def committed(**heard: Heard) -> Committed:
    return Committed(frozenset(), [], {}, heard)


def test_what_came_is_summed_and_the_last_refusal_kept():
    figures = Figures(["", "north"], since=START)
    figures.note([committed(north=Heard(3, 1, 0, "", {"count": 2}))], START + SECOND)
    figures.note([committed(north=Heard(2, 0, 1, "no JSON", {"count": 1, "tower": 1}))], START + 2 * SECOND)
    figures.note([committed(north=Heard(1, 0, 0, "", {"count": 1}))], START + 3 * SECOND)
    heard = figures.heard("north", START + 4 * SECOND)
    assert (heard.messages, heard.repeats, heard.refused, heard.reason) == (6, 1, 1, "no JSON")
    assert (heard.refused_at, heard.heard_at) == (START + 2 * SECOND, START + 3 * SECOND)
    assert heard.said == {"count": 4, "tower": 1}
    assert figures.heard("", START).heard_at is None
    assert figures.messages() == {"": 0, "north": 6}


def test_what_time_alone_made_it_say_is_no_message():
    figures = Figures(["north"], since=START)
    figures.note([committed(north=Heard(said={"tower": 1}))], START + SECOND)
    heard = figures.heard("north", START + SECOND)
    assert (heard.messages, heard.heard_at, heard.said) == (0, None, {"tower": 1})


def test_the_rate_is_that_of_the_last_five_minutes():
    figures = Figures(["north"], since=START)
    assert figures.heard("north", START + SECOND).per_minute is None, "too early to tell"
    for second in range(1, 121):
        figures.note([committed(north=Heard(2))], START + second * SECOND)
    assert figures.heard("north", START + 2 * MINUTE).per_minute == pytest.approx(120, abs=1)
    assert figures.heard("north", START + 5 * MINUTE).per_minute == pytest.approx(48, abs=1)
    assert figures.heard("north", START + 8 * MINUTE).per_minute == 0


def test_years_of_messages_take_no_more_room():
    figures = Figures(["north"], since=START)
    for minute in range(2000):
        figures.note([committed(north=Heard(1))], START + minute * MINUTE)
    assert len(figures._lately["north"]) < 40


def station(name: str, source: str, **more: object) -> StationState:
    return StationState("L3", name, source=Source(source), counted_at=START, **more)  # type: ignore[arg-type]


def test_stations_stand_with_the_source_that_counts_them():
    figures = Figures(["", "north"], since=START)
    figures.look(
        [
            station("P2", "north", holes=[(4, 6), (9, 9)], clocks={"count": SourceClock(-30 * SECOND)}),
            station("P1", "north", clocks={"count": SourceClock(SECOND), "tower": SourceClock(flagged=True)}),
            station("P3", "north", clocks={"count": SourceClock(0)}),
            station("P4", ""),
            StationState("L3", "P5"),
        ]
    )
    north, own = figures.counted("north"), figures.counted("")
    assert north.stations == [("L3", "P1"), ("L3", "P2"), ("L3", "P3")]
    assert north.missing == 4
    assert (north.ahead, north.worst) == (0, 30 * SECOND)
    assert north.flagged == [("L3", "P1")]
    assert own.stations == [("L3", "P4")], "whose counts are never heard is nobody's"
    assert (own.ahead, own.worst, own.missing) == (None, None, 0)


def test_gaps_are_told_of_a_format_that_numbers_its_messages():
    numbered = NativeTranslator("a")
    numbered.gaps = 3
    sources = Gateways({"numbered": numbered, "plain": NativeTranslator("b")})
    assert [sources.gaps(name) for name in ("numbered", "plain", "")] == [3, None, None]
