"""Hours are rolled up one after another, once they are over, whatever becomes of one of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec
import pytest

from service.domain.events import JournalEntry
from service.domain.hourly import HOUR, LineHour
from service.domain.model import Instant
from service.ports import Batch, StoreError
from service.store import Store, open_store
from service.usecases.rollup import AT_ONCE, LOUD, MARGIN, PATIENCE, SETTLED, RollUp
from tests.support.sent import HEARING, MemorySent, about, row

START = 500_000 * HOUR
LATER = 30 * 24 * HOUR


@dataclass
class Reviews:
    """What a review of any time would give, but for the hours that it fails at."""

    bad: set[int] = field(default_factory=set)
    asked: list[tuple[int, int]] = field(default_factory=list)

    def __call__(self, since: Instant, until: Instant) -> dict[str, Any]:
        first, last = (since + MARGIN - START) // HOUR, (until - MARGIN - START) // HOUR
        self.asked.append((first, last))
        if self.bad & set(range(first, last)):
            raise RuntimeError("no review of that")
        hours = range((since - START) // HOUR, (until - START) // HOUR + 1)
        return {"hours": [msgspec.to_builtins(LineHour(line="L3", begin=START + h * HOUR)) for h in hours]}


@pytest.fixture
def store(tmp_path: Path) -> Any:
    store = open_store(f"sqlite:///{tmp_path / 's.db'}", migrate=True)
    entry = JournalEntry(START + 5, "count", "L3/P1", b"{}")
    store.ledger.commit(Batch(position=0, journal=[entry], states={}, notices=[], deliveries=[], refused=[]))
    yield store
    store.close()


def rolling(store: Store, reviews: Reviews, sent: MemorySent | None = None) -> RollUp:
    def save(begin: Instant, figures: Sequence[LineHour], rolled: Instant) -> None:
        store.hours.save(begin, figures, rolled=rolled)

    return RollUp(
        hours=store.hours,
        archive=store.archive,
        sent=sent or MemorySent(),
        reach=HEARING,
        make=reviews,
        save=save,
    )


def kept(store: Store) -> list[int]:
    return [(each.begin - START) // HOUR for each in store.hours.between(0, 2 * START)]


def mark(store: Store) -> int:
    rolled = store.hours.rolled()
    assert rolled is not None
    return (rolled - START) // HOUR


def test_an_hour_is_rolled_up_once_it_is_over_and_what_comes_late_had_its_time(store: Store) -> None:
    reviews = Reviews()
    rollup = rolling(store, reviews)
    assert rollup.tick(START + HOUR + SETTLED - 1) is None
    assert rollup.tick(START + HOUR + SETTLED) is not None
    assert rollup.tick(START + HOUR + SETTLED + 1) is None
    assert (reviews.asked, kept(store), mark(store)) == ([(0, 1)], [0], 1)


def test_missed_hours_are_done_from_the_mark_on_so_many_at_once(store: Store) -> None:
    reviews = Reviews()
    now = START + 20 * HOUR + SETTLED
    rolling(store, reviews).tick(now)
    again = rolling(store, reviews)  # as after a restart
    while again.tick(now):
        pass
    assert reviews.asked == [(0, AT_ONCE), (AT_ONCE, 2 * AT_ONCE), (2 * AT_ONCE, 20)]
    assert kept(store) == list(range(20))


def test_an_hour_that_cannot_be_reviewed_holds_up_no_other_and_keeps_the_mark_before_it(
    store: Store,
) -> None:
    reviews = Reviews(bad={3})
    rollup, now = rolling(store, reviews), START + 6 * HOUR + SETTLED
    done = rollup.tick(now)
    assert done is not None
    assert done.error == "RuntimeError: no review of that"
    assert (kept(store), mark(store)) == ([0, 1, 2, 4, 5], 3)
    assert rollup.tick(now + PATIENCE - 1) is None
    rollup.tick(now + PATIENCE)
    assert rollup.tick(now + 2 * PATIENCE) is None  # it waits longer
    reviews.bad.clear()
    rollup.tick(now + 3 * PATIENCE)
    assert (kept(store), mark(store)) == ([0, 1, 2, 3, 4, 5], 6)


def test_nothing_is_forgotten_that_an_hour_still_needs_but_not_for_ever(store: Store) -> None:
    reviews = Reviews(bad={3})
    rollup, now = rolling(store, reviews), START + LATER
    while rollup.tick(now):
        pass
    needed = START + 2 * HOUR - MARGIN
    assert rollup.keep_from(START + 9 * HOUR, at_most=LATER) == needed
    assert rollup.keep_from(START - HOUR, at_most=LATER) == START - HOUR
    assert rollup.keep_from(START + LATER, at_most=LATER - 100 * HOUR) == START + 100 * HOUR
    assert rollup.behind(now) > LOUD
    rollup.forgot(START + 100 * HOUR)
    assert rollup.behind(now) == 0


def test_an_hour_rolled_again_has_what_came_late_and_moves_no_mark(store: Store) -> None:
    sent = MemorySent()
    rollup = rolling(store, Reviews(), sent)
    rollup.tick(START + 4 * HOUR + SETTLED)
    sent.rows = [
        row(START + HOUR + 5),
        row(START + HOUR + 5, notice="n2"),  # together in one message
        row(START + HOUR + 9, "office"),
        row(START + HOUR + 9, "program"),
        msgspec.structs.replace(row(START + HOUR + 9), about=about(line="L4")),
        row(START + HOUR + 9, sent=False),
    ]
    rollup.once_more(START, START + 99 * HOUR, START + 5 * HOUR)
    assert [each.messages for each in store.hours.between(0, 2 * START)] == [0, 2, 0, 0]
    assert mark(store) == 4


def test_a_store_that_is_away_is_no_fault_of_the_hour(store: Store) -> None:
    sent = MemorySent(broken=StoreError("away"))
    rollup, now = rolling(store, Reviews(), sent), START + 2 * HOUR + SETTLED
    with pytest.raises(StoreError):
        rollup.tick(now)
    sent.broken = None
    assert rollup.tick(now) is not None
    assert mark(store) == 2


def test_an_empty_journal_has_no_hours(tmp_path: Path) -> None:
    store = open_store(f"sqlite:///{tmp_path / 'empty.db'}", migrate=True)
    rollup = rolling(store, Reviews())
    assert rollup.tick(START) is None
    assert rollup.keep_from(START, at_most=HOUR) == START
    store.close()


def test_hours_with_settings_alone_are_never_rolled_up(tmp_path: Path) -> None:
    """Where the time is what messages say, a store begins in 1970: half a million hours before the first."""
    store = open_store(f"sqlite:///{tmp_path / 'events.db'}", migrate=True)
    entries = [JournalEntry(1, "settings", "", b"{}"), JournalEntry(2, "settings", "", b"{}")]
    batch = Batch(position=0, journal=entries, states={}, notices=[], deliveries=[], refused=[])
    store.ledger.commit(batch)
    now = START + HOUR + SETTLED
    assert rolling(store, Reviews()).tick(now) is None

    count = JournalEntry(START + 5, "count", "L3/P1", b"{}")
    store.ledger.commit(Batch(position=2, journal=[count], states={}, notices=[], deliveries=[], refused=[]))
    store.hours.save(0, [], rolled=HOUR)  # as a version left it that began there
    reviews = Reviews()
    assert rolling(store, reviews).tick(now) is not None
    assert (reviews.asked, mark(store)) == ([(0, 1)], 1)
    store.close()
