"""Who takes charge of a real store, when, and what one that stands by sees of it; the time is ours."""

from __future__ import annotations

import threading
import uuid
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.desk import Busy
from service.domain.events import JournalEntry
from service.domain.model import SECOND
from service.domain.notices import Told
from service.lease import LENGTH, Lease
from service.ports import Batch
from service.store import Store, open_store
from service.store.lease import SqlLeases
from service.usecases.asks import Answering, Passing
from service.usecases.batch import Ask, Committed
from service.usecases.charge import SAME_NAME, Charge
from service.usecases.follow import Follower
from service.wire.native import Address, read_message


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    store = open_store(f"sqlite:///{tmp_path}/store.db", migrate=True)
    yield store
    store.close()


class Host:
    """A time for all, which somebody may set on the wall, and whoever wants to be in charge."""

    def __init__(self, store: Store) -> None:
        self.steady, self.set_by = 1_000_000.0, 0.0
        self.leases = SqlLeases(store.database, clock=lambda: round((self.steady + self.set_by) * SECOND))
        self.lost: list[str] = []
        self.began: list[Lease] = []

    def start(self, owner: str) -> Charge:
        return Charge(
            leases=self.leases,
            owner=owner,
            life=uuid.uuid4().hex,
            steady=lambda: self.steady,
            begin=self.began.append,
            lost=self.lost.append,
        )


@pytest.fixture
def host(store: Store) -> Host:
    return Host(store)


def test_the_first_takes_charge_and_the_second_stands_by_until_it_is_silent(host: Host) -> None:
    a, b = host.start("a"), host.start("b")
    a.turn()
    b.turn()
    assert (a.sure(), b.sure()) == (True, False)
    assert "a is in charge until" in b.standing()
    for _ in range(10):
        host.steady += 2
        a.turn()
        b.turn()
    assert len(host.began) == 1
    host.steady += LENGTH
    assert not a.sure()
    b.turn()
    assert b.sure()
    assert [lease.owner for lease in host.began] == ["a", "b"]
    a.turn()
    assert host.lost == ["b is in charge since (term 2)"]


def test_one_that_finds_its_lease_taken_is_not_sure_for_a_moment_longer(host: Host) -> None:
    a, b = host.start("a"), host.start("b")
    a.turn()
    host.set_by = 3600
    b.turn()
    assert a.sure(), "so far it can't know"
    a.turn()
    assert not a.sure()


def test_what_is_given_up_is_taken_at_the_next_look(host: Host) -> None:
    a, b = host.start("a"), host.start("b")
    a.turn()
    b.turn()
    a.release()
    b.turn()
    assert b.sure()


def test_a_start_takes_its_own_lease_back_and_who_lost_it_doesnt_take_it_from_its_namesake(
    host: Host,
) -> None:
    first, second = host.start("hall 4"), host.start("hall 4")
    first.turn()
    second.turn()
    assert second.sure()
    first.turn()
    assert SAME_NAME in host.lost[0]
    assert [lease.term for lease in host.began] == [1, 2]


def test_a_clock_that_was_set_back_keeps_no_dead_owner_in_charge(host: Host) -> None:
    a, b = host.start("a"), host.start("b")
    a.turn()
    b.turn()
    host.set_by = -3600
    b.turn()
    assert not b.sure()
    host.steady += LENGTH + 1
    b.turn()
    assert b.sure()


def test_a_clock_that_was_set_back_takes_nothing_from_a_living_owner(host: Host) -> None:
    a, b = host.start("a"), host.start("b")
    a.turn()
    host.set_by = -3600
    for _ in range(20):
        host.steady += 2
        a.turn()
        b.turn()
    assert a.sure()
    assert len(host.began) == 1


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.sampled_from("abc"), st.floats(0, 15)), max_size=40))
def test_however_they_take_turns_no_two_are_sure_at_once(
    store: Store, turns: list[tuple[str, float]]
) -> None:
    store.database.write(lambda connection: connection.exec_driver_sql("DELETE FROM lease"))
    host = Host(store)
    charges = {name: host.start(name) for name in "abc"}
    for name, passed in turns:
        host.steady += passed
        if not charges[name]._stop.is_set():  # who lost it has ended
            charges[name].turn()
        assert sum(each.sure() for each in charges.values()) <= 1


def commit(store: Store, position: int, states: dict[str, bytes | None]) -> None:
    entry = JournalEntry(position + 1, "count", "L/P", b"{}")
    store.ledger.commit(
        Batch(position=position, journal=[entry], states=states, notices=[], deliveries=[], refused=[])
    )


def test_who_follows_has_what_is_committed_and_says_what_changed(store: Store) -> None:
    commit(store, 0, {"station/L/P": b"1", "line/L": b"1"})
    committed: dict[str, bytes] = {}
    told: list[Committed] = []
    follower = Follower(followed=store.archive, committed=committed, tell=told.append)
    follower.refresh()
    assert (committed, told) == ({"station/L/P": b"1", "line/L": b"1"}, [])
    follower.refresh()
    assert told == []
    commit(store, 1, {"station/L/P": b"2", "line/L": None})
    follower.refresh()
    assert committed == {"station/L/P": b"2"}
    assert told[0].keys == {"station/L/P", "line/L"}
    follower.stop()
    commit(store, 2, {"station/L/P": b"3"})
    follower.refresh()
    assert committed == {"station/L/P": b"2"}, "the owner here keeps it from now on"


def supply(data: bytes = b'{"slot": "S", "change": "loaded"}') -> Ask:
    address = Address("supply", "L", "P")
    return Ask(address, read_message(address, data), data, Future())


def pass_on(store: Store, ask: Ask, put: Callable[[Ask], None]) -> list[Told]:
    """Through the store to an owner whose thread is ours."""
    passing = Passing(asks=store.asks, refresh=lambda: None)
    answering = Answering(asks=store.asks, put=put, again=lambda *_: None)
    asking = threading.Thread(target=passing.put, args=(ask,))
    asking.start()
    while not ask.answer.done():
        answering.look()
    asking.join(10)
    return ask.answer.result(0)


def test_what_is_passed_on_arrives_as_it_was_asked_and_once(store: Store) -> None:
    arrived: list[Ask] = []
    with pytest.raises(Busy):
        pass_on(store, supply(), arrived.append)
    (ask,) = arrived
    assert (ask.address, ask.data) == (Address("supply", "L", "P"), b'{"slot": "S", "change": "loaded"}')
    assert ask.id


def test_what_another_version_of_the_program_cant_read_is_answered_as_failed(store: Store) -> None:
    ask = Ask(Address("unheard of", "L", "P"), supply().message, b"{}", Future())
    with pytest.raises(RuntimeError, match="in charge"):
        pass_on(store, ask, lambda _: None)
