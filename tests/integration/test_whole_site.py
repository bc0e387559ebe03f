"""One shard's view of the whole site: what all of them committed, and whom it asks there."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from concurrent.futures import Future
from functools import partial

import msgspec
import pytest

from service.desk import Unattended
from service.divided import divide
from service.domain.events import JournalEntry, PersonAct, SupplyCare
from service.domain.shards import Division, Shard
from service.domain.state import LineState, StationState, SupplyState, line_key, station_key, supply_key
from service.domain.traffic import Traffic
from service.lease import LENGTH, Answered
from service.outgoing import DeliveryState
from service.ports import StoreRevisionError
from service.store import Store, open_store, register
from service.usecases.asks import Answering
from service.usecases.batch import DONE, Ask, Committed
from service.usecases.show import Shown
from service.whole import Whole, whole_site
from service.wire.native import Address
from tests.contract.builders import batch, closed, delivery, entry, opened, refused
from tests.support.postgres import shared_postgres

REST, EAST, WEST = Shard("rest", ("*",)), Shard("east", ("E*",)), Shard("west", ("W1",))
_encode = msgspec.msgpack.Encoder().encode


class Site:
    """A database with three shards, and the whole as the catch-all sees it."""

    def __init__(self, url: str) -> None:
        self.url = url
        self.stores = {each.name: open_store(url, migrate=False, shard=each) for each in (EAST, WEST, REST)}
        self.steady = 1000.0
        self.put_here: list[Ask] = []
        self.told: list[Committed] = []
        self.whole: Whole = whole_site(
            url,
            divide(REST, self.stores["rest"].registry),
            own=self.stores["rest"],
            committed={line_key("A1"): _encode(LineState(line="A1"))},
            put=self.put_here.append,
            tell=self.told.append,
            changed=print,
            beater=lambda _name: lambda: None,
            steady=lambda: self.steady,
        )

    def commit(self, shard: str, **what: object) -> None:
        store = self.stores[shard]
        store.ledger.commit(batch(store.archive.position(), **what))  # type: ignore[arg-type]

    def close(self) -> None:
        self.whole.stop()
        self.whole.close()
        for store in self.stores.values():
            store.close()


@pytest.fixture(scope="module")
def divided() -> Iterator[str]:
    """A database to be copied, with three shards that hold nothing."""
    server = shared_postgres()
    name = server.create()
    for each in (EAST, WEST, REST):
        register(server.url(name), each, now=1)
    yield name
    server.drop(name)


@pytest.fixture
def site(divided: str) -> Iterator[Site]:
    server = shared_postgres()
    name = server.create(template=divided)
    made = Site(server.url(name))
    yield made
    made.close()
    server.drop(name)


def station(line: str) -> dict[str, bytes]:
    return {
        line_key(line): _encode(LineState(line=line)),
        station_key(line, "P1"): _encode(StationState(line=line, station="P1")),
    }


def shown(site: Site) -> Shown:
    return Shown(
        committed=site.whole.committed,
        archive=site.whole.store.archive,
        journals=site.whole.journals,
        site="plant",
        reasons=list,
        unattended=site.whole.unattended,
    )


def test_lines_of_all_shards_are_shown_and_what_changes_there_is_heard(site: Site) -> None:
    site.commit("east", states=station("E1"), journal=[_counted("E1")])
    site.whole.refresh()
    assert [each["line"] for each in shown(site).lines()] == ["A1", "E1"]
    site.commit("west", states=station("W1"), journal=[_counted("W1")])
    site.whole.refresh()
    assert [each["line"] for each in shown(site).lines()] == ["A1", "E1", "W1"]
    heard = [key for each in site.told for key in sorted(each.keys)]
    assert heard == ["line/E1", "station/E1/P1", "line/W1", "station/W1/P1"]


def _counted(line: str) -> JournalEntry:
    return entry(5, subject=f"{line}/P1")


def test_notices_of_all_are_listed_newest_first_and_in_pages(site: Site) -> None:
    site.commit("east", notices=[opened("n1", 1000, line="E1"), closed("n4", 4000, line="E1")])
    site.commit("west", notices=[opened("n2", 2000, line="W1")])
    site.commit("rest", notices=[opened("n3", 3000, line="A1")])
    archive = site.whole.store.archive

    def ids(after: str | None = None, **wanted: object) -> list[str]:
        asked = {"states": None, "limit": 2, "after": after} | wanted
        return [each.id for each in archive.notices(**asked)]  # type: ignore[arg-type]

    assert ids() == ["n3", "n2"]
    assert ids(after="n2") == ["n1"]
    assert ids(states=["closed"]) == ["n4"]
    assert ids(place={"line": "W1"}) == ["n2"]
    assert archive.notice("n1") is not None


def test_deliveries_of_all_are_listed_by_when_they_were_made_and_known_by_number(site: Site) -> None:
    for shard, key, at in (("east", "a", 10), ("rest", "b", 20), ("west", "c", 30), ("east", "d", 40)):
        site.stores[shard].outbox.add([delivery(key, f"{key}:hook", at=at)])
    outbox = site.whole.store.outbox

    def listed(after: int | None = None, state: DeliveryState | None = None) -> list[tuple[str, int]]:
        return [(row.notice, row.id) for row in outbox.deliveries(state=state, limit=3, after=after)]

    first = listed()
    assert [notice for notice, _ in first] == ["d", "c", "b"]
    assert [notice for notice, _ in listed(after=first[-1][1])] == ["a"]
    assert outbox.backlog() == {("hook", "waiting"): 4}
    numbers = dict(first)
    east, west = site.whole.of_delivery(numbers["d"]), site.whole.of_delivery(numbers["c"])
    assert east is not None
    assert west is not None
    assert east is not west
    assert site.whole.of_delivery(numbers["b"]) is None


def test_an_outlet_fares_as_the_shard_says_that_it_treats_worst(site: Site) -> None:
    site.stores["east"].outbox.remember("hook", Traffic(failures=9, failing_since=7))
    site.stores["rest"].outbox.remember("hook", Traffic(full_at=3))
    site.stores["rest"].outbox.remember("mail", Traffic(full_at=3))
    known = site.whole.store.outbox.traffic()
    assert (known["hook"].failures, known["mail"].full_at) == (9, 3)


def test_what_was_refused_anywhere_is_listed(site: Site) -> None:
    site.commit("east", refused=[refused(b"1", at=1)])
    site.commit("rest", refused=[refused(b"2", at=2)])
    rows = site.whole.store.archive.refused(limit=9, after=None)
    assert [row.payload for row in rows] == ["2", "1"]
    assert [row.payload for row in site.whole.store.archive.refused(limit=9, after=rows[0].id)] == ["1"]


def test_figures_of_hours_are_all_there_up_to_where_the_last_shard_is(site: Site) -> None:
    hours = {name: store.under(_lead(store)).hours for name, store in site.stores.items()}
    hours["east"].save(0, [], rolled=100)
    hours["rest"].save(0, [], rolled=70)
    assert site.whole.store.hours.rolled() == 70


def _lead(store: Store) -> int:
    lease = store.leases.take(owner="me", life="mine")
    assert lease is not None
    return lease.term


def test_what_people_do_goes_to_the_shard_that_it_is_about(site: Site) -> None:
    loaded = _encode(SupplyState("R-7", where=("W1", "P1", "F1")))
    site.commit("east", states={"notice/nE": b"x"}, journal=[_counted("E1")])
    site.commit("west", states={supply_key("R-7"): loaded}, journal=[_counted("W1")])
    site.whole.refresh()
    take, dry = partial(PersonAct, action="take", by="Ada"), partial(SupplyCare, change="dry")
    went: list[str] = []

    def answering(name: str) -> Answering:
        asks = site.stores[name].asks

        def put(ask: Ask) -> None:
            went.append(name)
            asks.settle(Answered(ask.id, DONE))

        return Answering(asks=asks, put=put, again=lambda *_: None)

    others = [answering(name) for name in ("east", "west")]
    threads = [threading.Thread(target=each.run) for each in others]
    for thread in threads:
        thread.start()
    for address, act, shard in (
        (Address("person", "E1", "P1"), take(notice="n"), "east"),
        (Address("person", "W1", "P1"), take(notice="n"), "west"),
        (Address("person", "Z9", "P1"), take(notice="n"), "rest"),
        (Address("person", "", "P1"), take(notice="nE"), "east"),
        (Address("person", "", "P1"), take(notice="nR"), "rest"),
        (Address("care", "", None), dry(supply="R-7"), "west"),
        (Address("care", "", None), dry(supply="R-8"), "rest"),
    ):
        went.clear()
        site.put_here.clear()
        site.whole.put(Ask(address, act, msgspec.json.encode(act), Future()))
        assert [*went, *("rest" for _ in site.put_here)] == [shard], (address, act)
    for each, thread in zip(others, threads, strict=True):
        each.stop()
        thread.join()


def test_who_does_something_at_a_line_that_nobody_is_in_charge_of_is_told_so_and_it_is_not_done_later(
    site: Site,
) -> None:
    site.steady += LENGTH + 1
    for each in site.whole.neighbours:
        each.attendance.look()
    act = PersonAct(notice="n", action="take", by="Ada")
    ask = Ask(Address("person", "E1", "P1"), act, msgspec.json.encode(act), Future())

    site.whole.put(ask)

    assert isinstance(ask.answer.exception(0), Unattended)
    assert site.stores["east"].asks.waiting() == []


def test_a_line_that_nobody_is_in_charge_of_is_stale_and_its_shard_is_named(site: Site) -> None:
    site.commit("east", states=station("E1"), journal=[_counted("E1")])
    site.whole.refresh()
    lease = site.stores["east"].leases.take(owner="me", life="mine")
    assert lease is not None
    for each in site.whole.neighbours:
        each.attendance.look()
    assert site.whole.missing() == []
    site.steady += LENGTH + 1
    for each in site.whole.neighbours:
        each.attendance.look()
    assert site.whole.missing() == ["east", "west"]
    assert site.whole.unattended("E1") == lease.until
    assert site.whole.unattended("A1") is None
    [_, east] = shown(site).lines()
    assert east["stations"][0]["stale_since"] is not None  # type: ignore[index]


def test_while_the_store_is_away_nobody_is_known_to_be_missing(site: Site) -> None:
    site.steady += LENGTH + 1
    assert site.whole.missing() == []


def test_what_concerns_the_whole_site_is_told_by_the_catch_all(site: Site) -> None:
    def speaks(shard: Shard) -> bool:
        division = Division(shard, [EAST, REST, WEST])
        own = site.stores["rest"]
        return Whole(own=own, committed={}, put=print, division=division, steady=time.monotonic).speaks

    assert [speaks(REST), speaks(EAST)] == [True, False]


def test_an_instance_that_is_not_registered_is_refused(site: Site) -> None:
    with pytest.raises(StoreRevisionError, match="isn't registered"):
        divide(Shard("north", ("N*",)), site.stores["rest"].registry)
