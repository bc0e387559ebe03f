"""The same journal gives the same notices: other batch sizes, another database, exported and imported."""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from concurrent.futures import Future
from datetime import UTC, datetime, timedelta

import msgspec
import pytest

from service.desk import Unfit
from service.domain.events import JournalEntry, PersonAct
from service.domain.model import Notice
from service.domain.policy import Limits, Policy
from service.domain.world import World
from service.ports import Sought
from service.store import Store
from service.usecases.batch import Ask, Inbound
from service.usecases.ingest import Ingest
from service.usecases.recording import Reader
from service.usecases.replay import replay
from service.usecases.show import Shown
from service.wire.journal import Exporter, parse_line
from service.wire.native import Address
from simulators.faults import Duplicates, Fault, LostCounts, pass_all
from simulators.messages import Gateway, Message
from simulators.plant import Plant
from simulators.scenario import load_scenario, shipped
from tests.support.stores import NewStore
from tests.support.taped import taped

BEGIN = datetime(2026, 3, 2, 5, 0, tzinfo=UTC)
HOURS = 1.0


def stamp(at: float) -> str:
    return (BEGIN + timedelta(seconds=at)).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def shift(seed: int) -> list[Message]:
    """An hour of the made-up line, with some messages lost and some said twice."""
    plant = Plant(load_scenario(shipped()["demo"]), seed=seed, bell=False)
    gateway = Gateway("L3", run=f"seed-{seed}", stamp=stamp)
    events = plant.advance(HOURS * 3600)
    messages = [message for _, event in events for message in gateway.encode(event)]
    faults: list[Fault] = [Duplicates(random.Random(seed), 0.05), LostCounts(random.Random(seed + 1), 0.05)]
    return list(pass_all(faults, messages))


def take_in(store: Store, messages: Sequence[Message], *, batch: int) -> Ingest:
    """The messages through the pipeline at their own times, a person taking what opens now and then."""
    ingest = Ingest(
        world=World(),
        ledger=store.ledger,
        committed={},
        position=0,
        last_at=0,
        clock=lambda: 0,
        root="floor",
        by_events=True,
    )
    ingest.adopt_policy(Policy(warn=Limits(lead_panels=12, urgent_panels=4), outlets=["hook"]))
    inbound = [Inbound(m.topic.encode(), m.payload, False, (1, 1)) for m in messages]
    for begin in range(0, len(inbound), batch):
        ingest.take(inbound[begin : begin + batch])
    return ingest


def life(store: Store) -> list[Notice]:
    kept: list[Notice] = []
    after = None
    while page := store.archive.notices(states=["open", "taken", "quiet", "closed"], limit=50, after=after):
        kept += page
        after = page[-1].id
    return kept


def memory(store: Store) -> list[object]:
    """Which lot fed which panels."""
    stays = store.lots.stays(Sought(), limit=1000)
    places = sorted({(stay.line, stay.station) for stay in stays})
    return [stays, store.lots.runs([(*place, 0, None) for place in places])]


def feeding(store: Store) -> list[object]:
    return [placed for placed in store.lots.stays(Sought(), limit=1000) if placed.stay.feeds]


def shown(store: Store, committed: dict[str, bytes]) -> Shown:
    return Shown(committed=committed, archive=store.archive, site="Hollerbach", reasons=list)


def committed(store: Store) -> dict[str, bytes]:
    return dict(store.ledger.load().states)


def export(store: Store) -> list[bytes]:
    return list(shown(store, committed(store)).events(since=None, until=None))


def said(lines: list[bytes]) -> list[object]:
    """What a recording says, whatever the numbers of its entries: a copy counts from 0."""
    start, *entries = Reader().read(lines)
    return [msgspec.structs.replace(start, position=0), *entries]


def test_a_journal_gives_the_same_notices_in_any_batches_on_either_database(new_store: NewStore) -> None:
    original = new_store("sqlite")
    take_in(original, shift(7), batch=200)
    recorded = export(original)
    notices = life(original)
    assert len(notices) >= 5
    assert {notice.state for notice in notices} >= {"closed"}
    for kind, batch in (("sqlite", 1), ("sqlite", 37), ("postgresql", 500)):
        copy = new_store(kind)
        done = replay(recorded, copy.ledger, batch=batch)
        assert done.entries == len(recorded) - 1
        assert life(copy) == notices
        assert memory(copy) == memory(original)
        assert committed(copy) == committed(original)
        assert export(copy) == recorded
        assert copy.outbox.backlog() == {}


@pytest.mark.parametrize("batch", [1, 13])
def test_the_borders_of_live_batches_change_nothing(new_store: NewStore, batch: int) -> None:
    messages = shift(11)
    one, other = new_store("sqlite"), new_store("sqlite")
    take_in(one, messages, batch=200)
    take_in(other, messages, batch=batch)
    assert life(one) == life(other)
    assert memory(one) == memory(other)
    assert len(memory(one)[0]) > 20  # type: ignore[arg-type]
    assert committed(one) == committed(other)


def test_an_export_from_the_middle_carries_the_state_it_starts_from(new_store: NewStore) -> None:
    original = new_store("sqlite")
    ingest = take_in(original, shift(3), batch=100)
    half = round((BEGIN + timedelta(hours=HOURS / 2)).timestamp() * 1e6)
    tail = list(shown(original, ingest.committed).events(since=half, until=None))
    assert 1 < len(tail) < len(export(original))
    later = [notice for notice in life(original) if notice.changed_at > stamp(HOURS * 1800)]
    assert later
    for kind in ("sqlite", "postgresql"):
        copy = new_store(kind)
        replay(tail, copy.ledger)
        assert committed(copy) == committed(original)
        assert feeding(copy) == feeding(original)
        assert [notice for notice in life(copy) if notice in later] == later
        assert said(export(copy)) == said(tail)


def test_a_checkpoint_on_the_way_leaves_the_whole_journal_to_be_exported(new_store: NewStore) -> None:
    store = new_store("sqlite")
    ingest = take_in(store, shift(3)[:200], batch=50)
    before = export(store)
    store.ledger.save_checkpoint(ingest.position, ingest.last_at, ingest.committed)
    assert export(store) == before
    (state, *nothing) = shown(store, ingest.committed).events(since=ingest.last_at + 1, until=None)
    assert nothing == []
    copy = new_store("sqlite")
    replay([state], copy.ledger)
    assert committed(copy) == committed(store)


def test_what_people_did_is_part_of_the_recording(new_store: NewStore) -> None:
    original = new_store("sqlite")
    ingest = take_in(original, [], batch=1)
    take = _warned(ingest)
    act = PersonAct(notice=take.id, action="take", by="Resi")
    asked = Ask(Address("person", "L1", "P1", "T1"), act, msgspec.json.encode(act), Future())
    ingest.take([asked])
    assert life(original)[0].taken_by == "Resi"
    copy = new_store("sqlite")
    replay(export(original), copy.ledger)
    assert life(copy) == life(original)


def test_a_replay_wants_an_empty_store_and_says_which_line_is_not_ours(new_store: NewStore) -> None:
    original = new_store("sqlite")
    take_in(original, shift(1)[:200], batch=50)
    recorded = export(original)
    with pytest.raises(Unfit, match="isn't empty"):
        replay(recorded, original.ledger)
    with pytest.raises(Unfit, match="line 3"):
        replay([*recorded[:2], b'{"specversion": "1.0"}\n'], new_store("sqlite").ledger)
    entry = msgspec.json.decode(recorded[-1], type=dict[str, object])
    strange = msgspec.json.encode(entry | {"data": {"nothing": "of ours"}}) + b"\n"
    state = msgspec.json.decode(recorded[0], type=dict[str, object])
    strange_state = msgspec.json.encode(state | {"data": {"position": 0, "at": 0, "policy": 5}}) + b"\n"
    for since in (None, 1 << 60):
        with pytest.raises(Unfit, match=f"the entry of {entry['time']}: "):
            replay([recorded[0], strange], new_store("sqlite").ledger, since=since)
    with pytest.raises(Unfit, match="the state it begins with: not settings"):
        replay([strange_state], new_store("sqlite").ledger)


def test_an_act_on_a_notice_that_never_was_stops_neither_a_later_beginning_nor_an_export(
    new_store: NewStore,
) -> None:
    act = PersonAct(notice="another-version's", action="take", by="Resi")
    idle = JournalEntry(1, "person", "L3/P1/F01", msgspec.json.encode(act))
    lines = [Exporter("Hollerbach").entry(0, idle), *taped()[1:]]
    store, later = new_store("sqlite"), new_store("sqlite")
    assert replay(lines, store.ledger).idle == 1
    middle = replay(lines, later.ledger, since=_middle(lines)).entries
    assert 1 < middle < len(lines)
    assert len(list(shown(store, committed(store)).events(since=_middle(lines), until=None))) == middle + 1


def _middle(lines: Sequence[bytes]) -> int:
    entry = parse_line(lines[len(lines) // 2]).what
    assert isinstance(entry, JournalEntry)
    return entry.at


def _warned(ingest: Ingest) -> Notice:
    def send(topic: str, **body: object) -> Iterable[Notice]:
        payload = msgspec.json.encode(body)
        committed = ingest.take([Inbound(f"floor/L1/P1/{topic}".encode(), payload, False, (1, 1))])
        return [told.notice for told in committed.told]

    send("recipe", recipe="r", usage={"T1": 1}, at=stamp(0))
    send("count", session="a", seq=1, panels=0, slots={"T1": {"placed": 0}}, at=stamp(1))
    send("supply", id="1", slot="T1", change="loaded", kind="tray", quantity=20, at=stamp(2))
    (notice,) = send("count", session="a", seq=2, panels=15, slots={"T1": {"placed": 15}}, at=stamp(300))
    return notice
