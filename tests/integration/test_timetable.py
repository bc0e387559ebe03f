"""What the clock brings, over a real store: only in charge, and nothing forgotten that hours still need."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from service.domain.events import JournalEntry
from service.domain.hourly import HOUR, LineHour
from service.heart import Heart
from service.ports import Batch
from service.report import Report
from service.reviewing import NothingToReview, NotReviewed
from service.settings import load
from service.store import Store, open_store
from service.telemetry import Metrics
from service.timetable import DAY, Timetable
from service.usecases.rollup import MARGIN, SETTLED
from service.ways import Ways
from tests.support.digests import People, Plant

BEGIN = 500_000 * HOUR


class Clock:
    def __init__(self) -> None:
        self.now = BEGIN

    def __call__(self) -> int:
        return self.now


class Reviews:
    """Of an hour without entries there is nothing to review; ``broken`` ones fail."""

    def __init__(self) -> None:
        self.broken: set[int] = set()

    def make(self, since: int, until: int, line: str | None = None) -> dict[str, Any]:
        hours = range((since + MARGIN - BEGIN) // HOUR, (until - MARGIN - BEGIN) // HOUR)
        if self.broken & set(hours):
            raise NotReviewed("no")
        if not set(hours) & {0, 1, 2}:
            raise NothingToReview("nothing was heard")
        return {"hours": [{"line": "L3", "begin": BEGIN + each * HOUR} for each in hours]}

    def ask(self, since: int, until: int, line: str | None = None) -> Any:
        raise NotImplementedError

    def paper(self, since: int, until: int, line: str | None, language: Any) -> bytes:
        raise NotImplementedError


class Throne:
    """A time in charge, as far as the timetable needs it."""

    def __init__(self, store: Store) -> None:
        self.store = store

    def save_hours(self, begin: int, figures: Sequence[LineHour], *, rolled: int) -> None:
        self.store.hours.save(begin, figures, rolled=rolled)

    def prune(self, *, before: int) -> int:
        return self.store.ledger.prune(before=before)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    store = open_store(f"sqlite:///{tmp_path / 's.db'}", migrate=True)
    for hour in range(3):
        store.ledger.save_checkpoint(hour, BEGIN + hour * HOUR, {})
        entry = JournalEntry(BEGIN + hour * HOUR + 5, "count", "L3/P1", b"{}")
        store.ledger.commit(
            Batch(position=hour, journal=[entry], states={}, notices=[], deliveries=[], refused=[])
        )
    yield store
    store.close()


class Dethroned(Reviews):
    """While the first review is made another takes over, for as long as that takes."""

    def __init__(self) -> None:
        super().__init__()
        self.throne: Any = None

    def make(self, since: int, until: int, line: str | None = None) -> dict[str, Any]:
        self.throne = None
        return super().make(since, until, line)


def timetable(
    store: Store,
    clock: Clock,
    reviews: Reviews,
    *,
    in_charge: bool = True,
    report: Report | None = None,
) -> Timetable:
    settings = load(
        None, {"EARLYBELL_STORE__KEEP_EVENTS_DAYS": "1", "EARLYBELL_STORE__HOLD_EVENTS_DAYS": "9"}
    )
    throne: Any = Throne(store) if in_charge else None
    if isinstance(reviews, Dethroned):
        reviews.throne = throne
    ways = Ways(
        settings=settings,
        port=0,
        outbox=store.outbox,
        archive=store.archive,
        phones=store.phones,
        clock=clock,
    )
    return Timetable(
        settings=settings,
        store=store,
        showing=Plant(),
        budget=People(),
        hours=store.hours,
        reviews=reviews,
        own=reviews,
        speaks=True,
        reign=lambda: reviews.throne if isinstance(reviews, Dethroned) else throne,
        heart=Heart(ways, say=lambda _: None, ready=lambda: True),
        report=report or Report(Metrics()),
        beat=lambda: None,
        clock=clock,
    )


def kept(store: Store) -> list[int]:
    return [(entry.at - BEGIN) // HOUR for _, entry in store.archive.journal(position=0)]


class Looked(Report):
    """Knows whether it was to say what it held back."""

    def __init__(self) -> None:
        super().__init__(Metrics())
        self.looked = threading.Event()

    def look(self) -> None:
        self.looked.set()


def test_what_was_held_back_of_the_log_is_said_by_who_stands_by_too(store: Store) -> None:
    report = Looked()
    idle = timetable(store, Clock(), Reviews(), in_charge=False, report=report)
    idle.start()
    try:
        assert report.looked.wait(10)
    finally:
        idle.stop()


def test_who_is_not_in_charge_rolls_nothing_up_and_forgets_nothing(store: Store) -> None:
    clock = Clock()
    idle = timetable(store, clock, Reviews(), in_charge=False)
    clock.now = BEGIN + 30 * DAY
    idle.roll_up()
    idle.roll_up_again()
    idle.digest()
    idle.prune()
    assert (store.hours.rolled(), kept(store)) == (None, [0, 1, 2])


def test_missed_hours_are_rolled_up_also_those_in_which_nothing_was_heard(store: Store) -> None:
    clock = Clock()
    clock.now = BEGIN + 40 * HOUR + SETTLED
    timetable(store, clock, Reviews()).roll_up()
    assert store.hours.rolled() == BEGIN + 40 * HOUR
    assert len(store.hours.between(0, 2 * BEGIN)) == 8, "the first review had entries in it"


def test_hours_that_were_reviewed_while_another_took_over_are_still_to_be_rolled_up(store: Store) -> None:
    clock, reviews = Clock(), Dethroned()
    table = timetable(store, clock, reviews)
    clock.now = BEGIN + 2 * HOUR + SETTLED
    table.roll_up()
    assert store.hours.rolled() is None
    assert table.rollup.behind(clock.now) == 2 * HOUR


def test_the_journal_is_held_for_hours_that_cannot_be_rolled_up_but_not_for_ever(store: Store) -> None:
    clock, reviews = Clock(), Reviews()
    reviews.broken = {1}
    table = timetable(store, clock, reviews)
    clock.now = BEGIN + 3 * DAY
    table.roll_up()
    table.prune()
    assert kept(store) == [0, 1, 2], "an hour before is needed to see why a stop began"
    clock.now = BEGIN + 11 * DAY
    table.prune()
    assert kept(store) == [2], "the newest checkpoint keeps what follows it"


def test_once_rolled_up_hours_are_forgotten_as_configured_and_their_figures_stay(store: Store) -> None:
    clock = Clock()
    table = timetable(store, clock, Reviews())
    clock.now = BEGIN + 3 * DAY
    table.roll_up()
    table.prune()
    assert kept(store) == [2]
    assert [each.begin for each in store.hours.between(0, BEGIN + 2 * HOUR)] == [BEGIN, BEGIN + HOUR]
