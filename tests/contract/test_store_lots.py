"""The memory of lots on either database: what a batch brings is found again by lot, part, supply, place, time
and panels; what is undone is gone, what is old is forgotten by a limit of its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import msgspec
import pytest

from service.domain.lots import Placed, Remembered, RunAt
from service.domain.stays import Edge, Run, Stay
from service.ports import Sought
from service.store import Store
from tests.contract.builders import batch, entries


def edge(at: int | None, early: int | None, late: int | None) -> Edge:
    return Edge(at, 0, 0, None, early, late)


def placed(name: str, at: int, until: int | None = None, *, slot: str = "F07", **said: object) -> Placed:
    """A stay that began after panel ``at`` and ended with panel ``until``, at the same moments."""
    what = {"part": "R-10K-0402", "lot": "A77", "supply": None} | said
    stay = Stay(
        loading=name,
        kind="tape",
        quantity=None,
        assumed=False,
        by="Ines",
        begun=edge(at, at, at + 1),
        first_at=at,
        ended=None if until is None else edge(until, until, until + 1),
        **what,  # type: ignore[arg-type]
    )
    return Placed(id=name, line="L3", station="P1", slot=slot, stay=stay)


def run(since: int, until: int | None = None, order: str | None = "B-1") -> RunAt:
    known = Run(order, "R1", since, since, since, True, until=until)
    return RunAt(id=f"r{since}", line="L3", station="P1", run=known)


def keep(
    store: Store, *stays: Placed, runs: Sequence[RunAt] = (), gone: Sequence[str] = (), position: int = 0
) -> None:
    remembered = Remembered(stays=stays, runs=runs, gone=gone)
    store.ledger.commit(replace(batch(position, journal=entries(position + 1)), remembered=remembered))


def found(store: Store, limit: int = 10, after: str | None = None, **sought: Any) -> list[str]:
    return [each.id for each in store.lots.stays(Sought(**sought), limit=limit, after=after)]


def test_a_stay_comes_back_as_it_was_written_newest_first(store: Store) -> None:
    old, new = placed("s1", 10, 20, lot="Łot\0 \N{SNOWMAN}", supply="U1"), placed("s2", 20)
    keep(store, old, new)
    assert store.lots.stays(Sought(), limit=10) == [new, old]


@pytest.mark.parametrize(
    ("sought", "names"),
    [
        ({"lot": "A77"}, ["s3", "s1"]),
        ({"lot": "a77"}, []),
        ({"part": "C-1U-0402"}, ["s2"]),
        ({"supply": "U2"}, ["s2"]),
        ({"word": ["U2", "A77"]}, ["s3", "s2", "s1"]),
        ({"word": ["A77"], "slot": "F07"}, ["s1"]),
        ({"line": "L3", "station": "P1", "slot": "F08"}, ["s3", "s2"]),
        ({"line": "L4"}, []),
        ({"since": 25}, ["s3", "s2"]),
        ({"until": 15}, ["s1"]),
        ({"since": 15, "until": 20}, ["s2", "s1"]),
        ({"panels": [("L3", "P1", 11, 12)]}, ["s1"]),
        ({"panels": [("L3", "P1", 21, 30)]}, ["s2", "s1"]),
        ({"panels": [("L3", "P1", 50, None)]}, ["s3"]),
        ({"panels": [("L3", "P2", 1, None)]}, []),
        ({"panels": []}, []),
    ],
)  # fmt: skip
def test_all_that_is_said_must_fit(store: Store, sought: dict[str, Any], names: list[str]) -> None:
    other = {"part": "C-1U-0402", "lot": "B2", "supply": "U2"}
    keep(store, placed("s1", 10, 20), placed("s2", 20, 30, slot="F08", **other), placed("s3", 40, slot="F08"))
    assert found(store, **sought) == names


def test_stays_are_paged_by_the_last_id(store: Store) -> None:
    keep(store, *(placed(f"s{number}", number // 2) for number in range(7)))
    first = found(store, limit=3)
    assert first + found(store, after=first[-1]) == [f"s{number}" for number in range(6, -1, -1)]
    assert found(store, after="gone") == []


def test_what_is_said_later_of_a_stay_replaces_it_and_what_is_undone_is_gone(store: Store) -> None:
    keep(store, placed("s1", 10), placed("s2", 20))
    keep(store, placed("s1", 10, 20, lot="B2"), gone=["s2"], position=1)
    assert store.lots.stays(Sought(), limit=10) == [placed("s1", 10, 20, lot="B2")]


def test_the_same_batch_twice_is_as_once(store: Store) -> None:
    for _ in range(2):
        keep(store, placed("s1", 10), runs=[run(0)])
    assert found(store) == ["s1"]


def test_a_tape_whose_joint_has_not_passed_has_no_panels(store: Store) -> None:
    waiting = placed("s1", 10)
    keep(store, replace(waiting, stay=_with(waiting.stay, begun=edge(None, None, None))))
    assert found(store, panels=[("L3", "P1", 1, None)]) == []
    assert found(store) == ["s1"]


def test_runs_are_found_by_panels_and_by_order(store: Store) -> None:
    first, second, third = run(0, 100), run(100, 200, "B-2"), run(200)
    keep(store, runs=[third, first, second])
    assert store.lots.runs([("L3", "P1", 100, 150)]) == [first, second]
    assert store.lots.runs([("L3", "P1", 201, None), ("L3", "P1", 5, 6)]) == [first, third]
    assert store.lots.runs([("L3", "P2", 1, None)]) == store.lots.runs([]) == []
    assert store.lots.runs([("L3", "P1", number, number) for number in range(1, 250)]) == [
        first,
        second,
        third,
    ]
    assert store.lots.runs_of("B-1") == [first, third]


def test_stays_are_forgotten_by_their_own_limit_only(store: Store) -> None:
    keep(store, placed("s1", 10, 20), placed("s2", 20, 30), placed("s3", 5), runs=[run(0, 10), run(10)])
    store.ledger.prune(before=10**9)
    assert found(store) == ["s2", "s1", "s3"]
    assert store.ledger.prune(before=0, stays_before=30) == 1
    assert found(store) == ["s2", "s3"]


def test_a_run_is_forgotten_once_no_stay_is_left_of_its_panels(store: Store) -> None:
    runs = [run(0, 10), run(10, 25), run(25)]
    keep(store, placed("s1", 2, 20), placed("s2", 20, 40), runs=runs)
    assert store.ledger.prune(before=0, stays_before=30) == 2
    assert store.lots.runs([("L3", "P1", 1, None)]) == runs[1:]


def _with(stay: Stay, **more: object) -> Stay:
    return msgspec.structs.replace(stay, **more)
