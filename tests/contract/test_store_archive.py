"""The reading side of the store: notices and refused messages by pages, the journal, checkpoints."""

from __future__ import annotations

from itertools import pairwise

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import text

from service.domain.events import JournalEntry
from service.domain.model import Notice
from service.ports import RefusedRow
from service.store import Store
from service.store.rows import PAYLOAD_KEPT
from service.store.statements import REFUSED_KEPT
from tests.contract.builders import batch, closed, entries, entry, in_pieces, opened, refused

FEW = settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
MS = 1_000


def commit_notices(store: Store, *notices: Notice) -> None:
    store.ledger.commit(batch(store.ledger.load().position, notices=notices))


def ids(notices: list[Notice]) -> list[str]:
    return [notice.id for notice in notices]


def pages(store: Store, limit: int) -> list[str]:
    """All that aren't closed, page after page."""
    found: list[str] = []
    while page := store.archive.notices(states=None, limit=limit, after=found[-1] if found else None):
        assert len(page) <= limit
        found += ids(page)
    return found


def test_notices_are_newest_first_and_then_by_id(store: Store) -> None:
    commit_notices(store, opened("b", 1 * MS), opened("a", 1 * MS), opened("c", 0), opened("d", 2 * MS))
    assert ids(store.archive.notices(states=None, limit=10, after=None)) == ["d", "b", "a", "c"]


def test_a_place_keeps_the_notices_of_that_place(store: Store) -> None:
    names = ("a", "L1", "P1"), ("b", "L1", "P2"), ("c", "L2", "P1"), ("d", None, None)
    commit_notices(
        store, *[msgspec.structs.replace(opened(id_), line=line, station=of) for id_, line, of in names]
    )
    where = {"line": "L1"}, {"station": "P1"}, {"line": "L1", "station": "P2"}, {"line": "L3"}
    found = [ids(store.archive.notices(states=None, limit=10, after=None, place=place)) for place in where]
    assert found == [["b", "a"], ["c", "a"], ["b"], []]


def test_the_order_of_ids_is_that_of_their_code_points(store: Store) -> None:
    commit_notices(store, *[opened(name) for name in ("a", "B", "ä", "Z", "_", "10", "9")])
    expected = sorted(["a", "B", "ä", "Z", "_", "10", "9"], reverse=True)
    assert ids(store.archive.notices(states=None, limit=10, after=None)) == expected


@pytest.mark.parametrize("limit", [1, 2, 3, 100])
def test_pages_show_each_notice_once(store: Store, limit: int) -> None:
    commit_notices(store, *[opened(f"n{n}", n // 3 * MS) for n in range(8)])
    assert pages(store, limit) == [f"n{n}" for n in reversed(range(8))]


def test_without_states_all_that_are_not_closed_are_shown(store: Store) -> None:
    commit_notices(store, opened("a"), opened("b", state="taken"), opened("c", state="quiet"), closed("d"))
    assert ids(store.archive.notices(states=None, limit=10, after=None)) == ["c", "b", "a"]


@pytest.mark.parametrize(
    ("states", "expected"),
    [(["open"], ["a"]), (["closed"], ["d"]), (["closed", "taken"], ["d", "b"]), ([], []), (["?"], [])],
)
def test_only_the_asked_states_are_shown(store: Store, states: list[str], expected: list[str]) -> None:
    commit_notices(store, opened("a"), opened("b", state="taken"), opened("c", state="quiet"), closed("d"))
    assert ids(store.archive.notices(states=states, limit=10, after=None)) == expected


def test_a_page_goes_on_behind_a_notice_that_was_closed_meanwhile(store: Store) -> None:
    commit_notices(store, opened("a", 1 * MS), opened("b", 2 * MS), opened("c", 3 * MS))
    commit_notices(store, closed("b", 2 * MS))
    assert ids(store.archive.notices(states=None, limit=10, after="b")) == ["a"]


def test_nothing_is_behind_an_unknown_notice(store: Store) -> None:
    commit_notices(store, opened("a"))
    assert store.archive.notices(states=None, limit=10, after="never") == []


def test_a_notice_is_found_by_its_id_and_is_the_latest(store: Store) -> None:
    commit_notices(store, opened("a"))
    commit_notices(store, opened("a", version=2, level="urgent", taken_by="badge 31"))
    found = store.archive.notice("a")
    assert found == opened("a", version=2, level="urgent", taken_by="badge 31")
    assert store.archive.notice("b") is None


def test_states_are_found_by_the_beginning_of_their_key(store: Store) -> None:
    keys = ["line/L3", "line/L30", "line/l3", "line/L_", "line/L%", "linie", "station/L3/P1", "line/"]
    store.ledger.commit(batch(states={key: key.encode() for key in keys}))
    assert set(store.archive.states("line/L3")) == {"line/L3", "line/L30"}
    assert set(store.archive.states("line/L_")) == {"line/L_"}
    assert set(store.archive.states("line/L%")) == {"line/L%"}
    assert set(store.archive.states("")) == set(keys)
    assert set(store.archive.states("", but="line/")) == {"linie", "station/L3/P1"}
    assert set(store.archive.states("line/L3", but="line/L30")) == {"line/L3"}
    assert store.archive.states("none") == {}


def refuse(store: Store, *messages: object) -> None:
    store.ledger.commit(batch(refused=messages))  # type: ignore[arg-type]


def shown(store: Store, limit: int = 10, after: int | None = None) -> list[RefusedRow]:
    return store.archive.refused(limit=limit, after=after)


def test_equal_refused_messages_are_one_row_whose_count_grows(store: Store) -> None:
    refuse(store, refused(at=5), refused(at=3))
    refuse(store, refused(at=9), refused(at=2), refused(at=2))
    [row] = shown(store)
    assert (row.times, row.first_seen, row.last_seen) == (5, 2, 9)
    assert (row.topic, row.reason, row.payload) == ("floor/L3", "not JSON", "?")


def test_another_topic_reason_or_payload_is_another_row(store: Store) -> None:
    long = b"x" * PAYLOAD_KEPT
    different = [
        refused(topic="a"),
        refused(topic="a", reason="b"),
        refused(topic="ab", reason=""),
        refused(topic="", reason="ab"),
        refused(topic="a\0"),
        refused(topic="a\ufffd"),
        refused(topic="a\ud800"),
        refused(long + b"1"),
        refused(long + b"2"),
    ]
    refuse(store, *different)
    assert [row.times for row in shown(store)] == [1] * len(different)


def test_refused_messages_are_newest_first_and_then_by_highest_id(store: Store) -> None:
    refuse(store, refused(b"a", at=1), refused(b"b", at=3), refused(b"c", at=3), refused(b"d", at=2))
    assert [row.payload for row in shown(store)] == ["c", "b", "d", "a"]
    refuse(store, refused(b"a", at=4))
    assert [row.payload for row in shown(store)] == ["a", "c", "b", "d"]
    assert all((a.last_seen, a.id) > (b.last_seen, b.id) for a, b in pairwise(shown(store)))


def test_pages_show_each_refused_message_once(store: Store) -> None:
    refuse(store, *[refused(b"%d" % n, at=n // 3) for n in range(8)])
    found: list[RefusedRow] = []
    while page := shown(store, limit=3, after=found[-1].id if found else None):
        found += page
    assert [row.payload for row in found] == [str(n) for n in reversed(range(8))]
    assert shown(store, after=-1) == []


@pytest.mark.parametrize(
    ("payload", "text"),
    [
        (b"\xff\xfe{", "\N{REPLACEMENT CHARACTER}\N{REPLACEMENT CHARACTER}{"),
        (b"a\0b", "a\0b"),
        (b"", ""),
        (b"x" * 5000, "x" * PAYLOAD_KEPT),
        (b"x" + "é".encode() * 3000, "x" + "é" * 511),
        (b"open \xc3", "open \N{REPLACEMENT CHARACTER}"),
    ],
)
def test_the_beginning_of_any_payload_is_shown_as_text(store: Store, payload: bytes, text: str) -> None:
    refuse(store, refused(payload))
    assert [row.payload for row in shown(store)] == [text]


def test_topics_and_reasons_are_shown_as_clean_text(store: Store) -> None:
    refuse(store, refused(topic="floor/\0\ud800", reason="key '\0\udfff'"))
    [row] = shown(store)
    assert (row.topic, row.reason) == ("floor/\ufffd\ufffd", "key '\ufffd\ufffd'")


def test_only_the_newest_refused_messages_are_kept(store: Store) -> None:
    refuse(store, *[refused(b"%d" % n, at=n) for n in range(REFUSED_KEPT)])
    refuse(store, refused(b"0", at=REFUSED_KEPT), *[refused(b"new%d" % n, at=REFUSED_KEPT) for n in range(5)])
    rows = shown(store, limit=2 * REFUSED_KEPT)
    assert len(rows) == REFUSED_KEPT
    assert [row.times for row in rows if row.payload == "0"] == [2]
    assert {row.payload for row in rows}.isdisjoint({"1", "2", "3", "4", "5"})
    assert rows[-1].payload == "6"


def read(store: Store, position: int, to: int | None = None) -> list[tuple[int, JournalEntry]]:
    return list(store.archive.journal(position=position, to=to))


ENTRIES = st.builds(
    JournalEntry,
    at=st.integers(-(2**63), 2**63 - 1),
    kind=st.sampled_from(["count", "time"]),
    subject=st.text(st.characters(codec="utf-8"), max_size=9),
    data=st.binary(max_size=30),
    retained=st.booleans(),
)


@FEW
@given(
    written=st.lists(ENTRIES, min_size=1, max_size=12), size=st.integers(1, 12), skipped=st.integers(0, 13)
)
def test_the_journal_reads_as_it_was_written(
    store: Store, written: list[JournalEntry], size: int, skipped: int
) -> None:
    start = store.ledger.load().position
    for first in range(0, len(written), size):
        store.ledger.commit(batch(start + first, journal=written[first : first + size]))
    assert read(store, start + skipped) == list(enumerate(written, start))[skipped:]


def test_the_journal_begins_inside_a_batch_and_ends_at_a_time(store: Store) -> None:
    journal = entries(*range(10, 110))
    for piece in in_pieces(journal, [1, 40, 2, 57]):
        store.ledger.commit(piece)
    assert read(store, 0) == list(enumerate(journal))
    assert read(store, 17, to=60) == list(enumerate(journal))[17:51]
    assert read(store, 99) == [(99, journal[99])]
    assert read(store, 100) == read(store, 5000) == read(store, 0, to=9) == []


def test_the_journal_is_read_over_many_batches(store: Store) -> None:
    for number in range(75):
        store.ledger.commit(batch(number, journal=[entry(number)]))
    assert [number for number, _ in read(store, 0)] == list(range(75))


def test_reading_the_journal_holds_nothing_open(store: Store) -> None:
    for number in range(40):
        store.ledger.commit(batch(number, journal=[entry(number)]))
    reading = store.archive.journal(position=0)
    assert next(reading)[0] == 0
    store.ledger.commit(batch(40, journal=[entry(40)]))
    store.ledger.prune(before=30)
    numbers = [number for number, _ in reading]
    assert numbers[-1] == 40  # what came meanwhile is read
    assert set(range(30, 41)) <= set(numbers)  # what was forgotten meanwhile is left out, in order
    assert numbers == sorted(numbers)


def test_a_checkpoint_is_the_newest_that_is_not_later(store: Store) -> None:
    assert store.archive.checkpoint(at=None) is None
    for position, at in ((10, 100), (20, 200), (25, 200), (30, 300)):
        store.ledger.save_checkpoint(position, at, {"site": b"%d" % position})
    assert store.archive.checkpoint(at=99) is None
    assert store.archive.checkpoint(at=100) == (10, 100, {"site": b"10"})
    assert store.archive.checkpoint(at=299) == (25, 200, {"site": b"25"})
    assert store.archive.checkpoint(at=10**12) == (30, 300, {"site": b"30"})
    assert store.archive.checkpoint(at=None) == (10, 100, {"site": b"10"})


def test_a_store_at_another_revision_is_not_healthy(store: Store) -> None:
    assert store.archive.healthy()
    with store.database.writer.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = 'other'"))
    assert not store.archive.healthy()
    with store.database.writer.begin() as connection:
        connection.execute(text("DROP TABLE alembic_version"))
    assert not store.archive.healthy()
