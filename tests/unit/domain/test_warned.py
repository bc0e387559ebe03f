"""What warnings gave, against what was asked: hand-made times of one slot that takes two parts a panel."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from service.domain.addressed import heard, quantile, taken
from service.domain.history import Outcome
from service.domain.model import SECOND, Change, Instant, Notice, to_rfc3339
from service.domain.notices import Told
from service.domain.track import Acted, Counted, LineTrack, StationTrack, Supplied, Track
from service.domain.warned import Given, Verdict, given
from tests.support.notices import notice
from tests.support.story import START

TAKT = 20


def at(panel: float) -> Instant:
    """When so many panels were complete."""
    return START + round(panel * TAKT * SECOND)


def told(panel: float, change: Change = Change.OPENED, **fields: Any) -> tuple[Instant, Told]:
    said: Notice = notice(opened_at=to_rfc3339(at(panel)), changed_at=to_rfc3339(at(panel)), **fields)
    return at(panel), Told(said, change)


def over(panel: float, because: str = "refilled", **fields: Any) -> tuple[Instant, Told]:
    closed = {"state": "closed", "closed_at": to_rfc3339(at(panel)), "closed_because": because}
    return told(panel, Change.CLOSED, **closed | fields)


def loaded(panel: float, change: str = "loaded") -> Supplied:
    return Supplied(
        at=at(panel), slot="T2", change=change, part="MCU-48Q", kind="tray", lot=None, left=3,
    )  # fmt: skip


def outcome(panel: float, given_panels: int | None, late: float, **more: Any) -> tuple[str, Outcome]:
    said = {"covered": None if given_panels is None else True} | more
    return "tray", Outcome(
        at=at(panel), line="L3", station="P1", slot="T2", lead=10, given=given_panels, late=late, chance=0.1,
        **said,
    )  # fmt: skip


def track(**known: Any) -> Track:
    """A hundred panels, one every twenty seconds."""
    supplies = known.pop("supplies", [])
    station = StationTrack(
        line="L3",
        station="P1",
        counts=[Counted(at=at(panel), panels=panel, used={}) for panel in range(1, 101)],
        supplies=supplies,
    )
    line = LineTrack(line="L3", stations={"P1": station})
    return Track(since=START, until=at(100), lines={"L3": line}, **known)


def only(found: Track) -> Given:
    (one,) = given(found)
    return one


def test_a_supply_that_ran_out_gave_the_panels_from_the_warning_until_it_was_empty() -> None:
    """Told at panel 40, empty in panel 52: 12 panels, at 20 s each 4 min; asked were 10."""
    empty = told(52, Change.CHANGED, level="empty")
    one = only(
        track(told=[told(40), empty, over(54)], outcomes=[outcome(52, 12, 0.0)], supplies=[loaded(54)])
    )
    assert (one.verdict, one.panels, one.lead, one.ran_out) == (Verdict.IN_TIME, 12, 240 * SECOND, True)
    assert (one.asked_panels, one.worst, one.because) == (10, "empty", "refilled")


def test_fewer_panels_than_asked_are_late() -> None:
    found = track(told=[told(40), told(47, Change.CHANGED, level="empty")], outcomes=[outcome(47, 7, 1.0)])
    assert (only(found).verdict, only(found).panels) == (Verdict.LATE, 7)


def test_empty_without_a_word_before_is_missed() -> None:
    found = track(told=[told(30, level="empty")], outcomes=[outcome(30, 0, 1.0, covered=None)])
    assert (only(found).verdict, only(found).panels) == (Verdict.MISSED, 0)


@pytest.mark.parametrize(("late", "verdict"), [(0.02, Verdict.IN_TIME), (0.7, Verdict.LATE)])
def test_an_exchange_before_the_end_is_judged_by_how_it_would_have_gone(late: float, verdict: str) -> None:
    """Exchanged 4 panels (80 s) after the word: what is known is only that it lasted those."""
    one = only(track(told=[told(40), over(44)], supplies=[loaded(44)], outcomes=[outcome(44, None, late)]))
    assert (one.verdict, one.panels, one.lead, one.ran_out) == (verdict, 4, 80 * SECOND, False)


def test_a_warning_that_could_not_come_earlier_stands_apart() -> None:
    one = only(
        track(told=[told(40), over(44)], supplies=[loaded(44)], outcomes=[outcome(44, None, 0.9, apart=True)])
    )
    assert (one.verdict, one.late) == (Verdict.APART, None)


@pytest.mark.parametrize("because", ["better", "order done"])
def test_what_ends_by_itself_with_nothing_done_was_for_nothing(because: str) -> None:
    assert only(track(told=[told(40), over(60, because)])).verdict is Verdict.NEEDLESS


@pytest.mark.parametrize("change", ["loaded", "joined", "counted"])
def test_where_somebody_did_something_it_was_not_for_nothing(change: str) -> None:
    found = track(told=[told(40), over(60, "better")], supplies=[loaded(50, change)])
    assert only(found).verdict is Verdict.UNJUDGED


def test_what_is_still_open_is_not_judged_yet() -> None:
    assert only(track(told=[told(95)])).verdict is Verdict.OPEN


def test_a_warning_goes_on_after_a_person_closed_it_and_begins_anew_after_it_closed_by_itself() -> None:
    again = told(50, level="urgent")
    assert len(given(track(told=[told(40), over(45, "person"), again]))) == 1
    assert len(given(track(told=[told(40), over(45, "better"), again]))) == 2
    assert len(given(track(told=[told(40), told(41)]))) == 1, "others hear of it too"


def test_how_fast_somebody_took_it_counts_from_its_opening() -> None:
    acts = [
        Acted(at=at(42), notice="n7c1", action="take", by="Mira"),
        Acted(at=at(44), notice="n7c1", action="take", by="Tomas"),
    ]
    one = only(track(told=[told(40), over(46)], acts=acts))
    assert (one.taken_by, one.took) == ("Mira", 40 * SECOND)
    sums = taken([one, only(track(told=[told(40), over(46)])), only(track(told=[told(95)]))])
    assert (sums.taken, sums.nobody, sums.waiting, sums.median, dict(sums.by)) == (
        1,
        1,
        1,
        40 * SECOND,
        {"Mira": 1},
    )


def test_a_quantile_is_a_value_that_was_there() -> None:
    """Of 10, 20, …, 100 at least half are at most 50, nine of ten at most 90 (definition 1 of Hyndman and
    Fan, "Sample quantiles in statistical packages", 1996, from memory)."""
    ordered = list(range(10, 101, 10))
    assert [quantile(ordered, share) for share in (0.1, 0.5, 0.9)] == [10, 50, 90]
    assert [quantile(ordered[:3], share) for share in (0.1, 0.5, 0.9)] == [10, 20, 30]
    assert quantile([], 0.5) is None


def test_words_to_one_outlet_at_one_moment_are_one_message() -> None:
    """Mira has the outlet alone, two share the other; a program gets each change by itself."""

    def to(panel: int, *outlets: str, hears: tuple[str, ...] = ()) -> tuple[Instant, Told]:
        when, each = told(panel)
        heard_by = msgspec.structs.replace(each.notice, hears=hears)
        return when, Told(heard_by, each.change, outlets=outlets)

    readers = {"mira": ["Mira"], "hall": ["Tomas", "Resi"]}
    words = [to(1, "mira", "mes"), to(1, "mira", "mes"), to(2, "hall"), to(3, "hall", hears=("Resi",))]
    found = heard(words, readers, START, at(100))
    assert {who: load.messages for who, load in found.people.items()} == {"Mira": 1, "Resi": 2, "Tomas": 1}
    assert found.programs == {"mes": 2}
