"""The lease and what is asked of its holder, on both databases, also between processes."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace

import psycopg
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.domain.events import JournalEntry
from service.domain.model import SECOND
from service.lease import LENGTH, Answered, Asked, Lease, LeaseLost
from service.ports import Batch
from service.store import Store
from service.store.database import Database
from service.store.lease import SqlLeases

OpenAgain = Callable[..., Store]
LONG = round(LENGTH * SECOND)


def batch(position: int, *, answers: tuple[Answered, ...] = ()) -> Batch:
    entry = JournalEntry(position + 1, "count", "L/P", b"{}")
    return Batch(
        position=position,
        journal=[entry],
        states={"station/L/P": b"%d" % position},
        notices=[],
        deliveries=[],
        refused=[],
        answers=answers,
    )


def must_take(store: Store, life: str, **how: object) -> Lease:
    lease = store.leases.take(owner=how.pop("owner", life), life=life, **how)  # type: ignore[arg-type]
    assert lease is not None
    return lease


def expire(store: Store) -> None:
    """As when its time is over."""
    store.database.write(lambda connection: connection.exec_driver_sql("UPDATE lease SET until = 1"))


def test_nobody_holds_a_lease_that_was_never_taken(store: Store) -> None:
    assert store.leases.look() is None


def test_the_first_to_take_it_holds_it_and_the_second_is_told_who(store: Store) -> None:
    first = must_take(store, "a")
    assert first.term == 1
    assert store.leases.take(owner="b", life="b") is None
    assert store.leases.look() == first


def test_the_same_life_gets_it_again_as_it_is(store: Store) -> None:
    assert must_take(store, "a") == must_take(store, "a")


def test_a_lease_that_ran_out_is_free_and_the_term_grows(store: Store) -> None:
    first = must_take(store, "a")
    expire(store)
    second = must_take(store, "b")
    assert (second.owner, second.term) == ("b", first.term + 1)
    assert store.leases.renew(first) is None
    assert store.leases.look() == second


def test_a_lease_that_ran_out_and_was_taken_by_nobody_is_renewed(store: Store) -> None:
    first = must_take(store, "a")
    expire(store)
    renewed = store.leases.renew(first)
    assert renewed is not None
    assert renewed.until >= first.until
    assert store.leases.take(owner="b", life="b") is None


def test_an_instance_that_restarts_takes_its_own_lease_back_at_once_under_a_new_term(store: Store) -> None:
    first = must_take(store, "life 1", owner="hall 4")
    assert store.leases.take(owner="hall 4", life="life 2") is None, "only when it asks for that"
    second = must_take(store, "life 2", owner="hall 4", at_once=True)
    assert second.term == first.term + 1
    assert store.leases.renew(first) is None
    assert store.leases.take(owner="hall 5", life="b", at_once=True) is None, "not another's"


def test_what_is_given_up_is_free_at_once_and_giving_up_what_was_lost_does_nothing(store: Store) -> None:
    first = must_take(store, "a")
    store.leases.release(first)
    second = must_take(store, "b")
    store.leases.release(first)
    assert store.leases.take(owner="c", life="c") is None
    assert store.leases.look() == second


def test_a_dead_owner_whose_clock_was_ahead_does_not_stay_in_charge(store: Store) -> None:
    must_take(store, "a")
    ahead = f"UPDATE lease SET until = until + {3600 * SECOND}"
    store.database.write(lambda connection: connection.exec_driver_sql(ahead))
    seen = store.leases.look()
    assert seen is not None
    assert store.leases.take(owner="b", life="b", unmoved=replace(seen, until=seen.until - 1)) is None
    assert must_take(store, "b", unmoved=seen).term == 2


def test_a_living_owner_that_renews_is_not_unmoved(store: Store) -> None:
    first = must_take(store, "a")
    expire(store)
    seen = store.leases.look()
    store.leases.renew(first)
    assert store.leases.take(owner="b", life="b", unmoved=seen) is None


@pytest.mark.parametrize("backend", ["sqlite"])
def test_a_clock_that_is_set_only_ends_a_lease_early_and_never_gives_it_to_two(store: Store) -> None:
    now = [10_000 * SECOND]
    leases = SqlLeases(store.database, clock=lambda: now[0])
    first = leases.take(owner="a", life="a")
    assert first is not None
    now[0] += 3600 * SECOND
    assert leases.take(owner="b", life="b") is not None
    assert leases.renew(first) is None
    with pytest.raises(LeaseLost):
        store.under(first.term).ledger.commit(batch(0))


def test_an_owner_whose_term_is_over_writes_nothing_at_all(store: Store) -> None:
    before = store.under(must_take(store, "a").term)
    before.ledger.commit(batch(0))
    expire(store)
    after = store.under(must_take(store, "b").term)
    writes: list[Callable[[], object]] = [
        lambda: before.ledger.commit(batch(1)),
        lambda: before.ledger.save_checkpoint(1, 1, {}),
        lambda: before.ledger.prune(before=10**18),
        lambda: before.outbox.take_back(owner="a", now=1),
        lambda: before.outbox.again(1, now=1),
        lambda: before.asks.settle(Answered("x", b"done")),
    ]
    for write in writes:
        with pytest.raises(LeaseLost):
            write()
    assert store.ledger.load().position == 1
    after.ledger.commit(batch(1))
    with pytest.raises(LeaseLost):  # even what is stored already: its acknowledgement is another's now
        before.ledger.commit(batch(1))


def test_a_lease_that_ran_out_and_was_taken_by_nobody_lets_its_holder_write(store: Store) -> None:
    owner = store.under(must_take(store, "a").term)
    expire(store)
    owner.ledger.commit(batch(0))
    assert store.ledger.load().position == 1


def test_each_batch_says_under_which_term_it_was_written(store: Store) -> None:
    store.under(must_take(store, "a").term).ledger.commit(batch(0))
    expire(store)
    store.under(must_take(store, "b").term).ledger.commit(batch(1))
    terms = store.database.read(
        lambda connection: connection.exec_driver_sql("SELECT term FROM journal ORDER BY first").all()
    )
    assert [term for (term,) in terms] == [1, 2]


@pytest.mark.parametrize("backend", ["postgresql"])
def test_a_takeover_waits_for_the_commit_under_way_and_sees_it(
    store: Store, open_again: OpenAgain, url: str
) -> None:
    first = must_take(store, "a")
    expire(store)
    with psycopg.connect(url.replace("postgresql+psycopg", "postgresql")) as slow:
        slow.execute("SELECT term FROM lease WHERE term = %s FOR SHARE", [first.term])
        slow.execute("UPDATE journal_end SET position = 7")
        with pytest.raises(Exception, match="lock timeout"):
            open_again().leases.take(owner="b", life="b")
        slow.commit()
    must_take(store, "b")
    assert store.ledger.load().position == 7


RACER = """
import sys
from service.store import open_store
store = open_store(sys.argv[1], migrate=False)
print("ready", flush=True)
sys.stdin.readline()
for _ in range(int(sys.argv[3])):
    lease = store.leases.take(owner=sys.argv[2], life=sys.argv[2])
    if lease is not None:
        store.leases.release(lease)
        print(lease.term, flush=True)
"""


def test_processes_that_race_for_it_never_get_the_same_term(store: Store, url: str) -> None:
    racers = [
        subprocess.Popen(
            [sys.executable, "-c", RACER, url, name, "40"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for name in ("a", "b")
    ]
    for racer in racers:
        assert racer.stdout is not None
        assert racer.stdout.readline() == "ready\n"
    won = [racer.communicate("go\n", timeout=60)[0].split() for racer in racers]
    assert [racer.returncode for racer in racers] == [0, 0]
    # The same life takes what it gave up as it is, so one may hold a term more than once; two never do.
    assert not set(won[0]) & set(won[1])
    assert set(won[0]) | set(won[1])


Step = st.tuples(st.sampled_from(["take", "renew", "release", "expire", "write"]), st.sampled_from("ab"))


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(Step, max_size=25))
def test_whatever_happens_only_the_newest_term_writes(store: Store, steps: list[tuple[str, str]]) -> None:
    store.database.write(lambda connection: connection.exec_driver_sql("UPDATE lease SET life = ''"))
    held: dict[str, Lease] = {}
    for what, who in steps:
        mine = held.get(who)
        if what == "take" and (lease := store.leases.take(owner=who, life=who)) is not None:
            held[who] = lease
        elif what == "expire":
            expire(store)
        elif mine is not None and what == "renew":
            assert (store.leases.renew(mine) is None) == (mine.term != newest(store))
        elif mine is not None and what == "release":
            store.leases.release(mine)
        elif mine is not None and what == "write":
            must_write_only_under_the_newest_term(store, mine)


def newest(store: Store) -> int:
    lease = store.leases.look()
    return 0 if lease is None else lease.term


def must_write_only_under_the_newest_term(store: Store, mine: Lease) -> None:
    position = store.ledger.load().position
    try:
        store.under(mine.term).ledger.commit(batch(position))
    except LeaseLost:
        assert mine.term != newest(store)
    else:
        assert mine.term == newest(store)


def test_what_is_asked_waits_for_its_answer_and_is_there_once(store: Store) -> None:
    asked = Asked("x", b"what")
    store.asks.ask(asked, seconds=5)
    store.asks.ask(asked, seconds=5)
    assert list(store.asks.waiting()) == [asked]
    assert store.asks.answer("x") is None
    store.asks.settle(Answered("x", b"done"))
    store.asks.settle(Answered("x", b"another"))
    assert list(store.asks.waiting()) == []
    assert store.asks.answer("x") == b"done"


def test_what_nobody_answered_in_time_waits_no_more_and_is_forgotten_later(store: Store) -> None:
    store.asks.ask(Asked("late", b""), seconds=-1)
    store.asks.ask(Asked("long ago", b""), seconds=-61)
    assert list(store.asks.waiting()) == []
    assert store.asks.forget() == 1
    assert store.asks.forget() == 0


def test_an_answer_is_written_with_its_batch_or_not_at_all(store: Store) -> None:
    store.asks.ask(Asked("x", b""), seconds=5)
    with pytest.raises(ValueError, match="next entry"):
        store.ledger.commit(batch(5, answers=(Answered("x", b"done"),)))
    assert store.asks.answer("x") is None
    store.ledger.commit(batch(0, answers=(Answered("x", b"done"),)))
    assert store.asks.answer("x") == b"done"


def test_who_follows_sees_that_something_was_written(store: Store) -> None:
    assert store.archive.position() == 0
    assert store.archive.open_notices() == {}
    store.ledger.commit(batch(0))
    assert store.archive.position() == 1


def test_a_fence_that_refuses_leaves_nothing_behind(store: Store) -> None:
    def refuse(_: object) -> None:
        raise LeaseLost

    fenced: Database = store.database.fenced(refuse)
    with pytest.raises(LeaseLost):
        fenced.write(lambda connection: connection.exec_driver_sql("DELETE FROM journal_end"))
    assert store.ledger.load().position == 0
