"""The judge of the torture run: it finds nothing in a good run, and in a bad one exactly what is wrong."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import pytest

from tests.torture.checks import check, duplicates
from tests.torture.evidence import Evidence
from tests.torture.ledger import Truth, add

Json = dict[str, Any]
Spoil = Callable[[Evidence], object]


def count(station: str, seq: int, placed: int, **more: Any) -> Json:
    body: Json = {"session": "s1", "seq": seq, "panels": seq, "slots": {"T1": {"placed": placed, "lost": 0}}}
    return {"type": "earlybell.floor.count", "subject": f"L0/{station}", "data": body | more}


def supply(station: str, name: str) -> Json:
    body = {"id": name, "slot": "T1", "change": "loaded", "quantity": 100}
    return {"type": "earlybell.floor.supply", "subject": f"L0/{station}", "data": body}


def slot(station: str, book: int) -> Json:
    return {"line": "L0", "station": station, "slot": "T1", "remaining": {"book": book}}


def delivery(number: int, version: int, state: str = "sent", outlet: str = "hook") -> Json:
    row: Json = {"id": number, "outlet": outlet, "notice": "n1", "version": version, "state": state}
    return row | {"attempts": 1, "error": None}


def came(version: int, change: str, state: str = "open", key: int | None = None) -> Json:
    name = f"n1-v{version if key is None else key}-hook"
    here: Json = {"outlet": "hook", "key": name, "change": change, "notice": "n1", "version": version}
    return here | {"state": state, "at": 0.0, "taken": True}


@pytest.fixture
def good() -> Evidence:
    """Two stations, one with totals and one with differences; the slot of the first is low, and told of."""
    journal = [
        supply("P0", "a"),
        supply("P1", "b"),
        count("P0", 1, 0),
        count("P1", 1, 0, counts="delta"),
        count("P0", 2, 95),
        count("P1", 2, 30, counts="delta"),
        count("P1", 3, 20, counts="delta"),
    ]
    truth = Truth()
    for entry in journal:
        add(truth, f"{entry['subject']}/{entry['type'].rpartition('.')[2]}", entry["data"])
    for station in ("P0", "P1"):
        add(truth, f"L0/{station}/recipe", {"usage": {"T1": 1}})
    notice: Json = {
        "id": "n1",
        "kind": "supply",
        "line": "L0",
        "station": "P0",
        "slot": "T1",
        "state": "taken",
    }
    notice |= {"version": 3, "level": "urgent", "closed_because": None, "loading": "a", "about": None}
    return Evidence(
        truth=truth,
        slots=[slot("P0", 5), slot("P1", 50)],
        uncertain=set(),
        careful={("L0", "P0")},
        notices=[notice],
        deliveries=[
            delivery(1, 1),
            delivery(2, 2, "replaced"),
            delivery(3, 3),
            delivery(4, 1, outlet="mail"),
        ],
        refused=[],
        received=[
            came(1, "opened"),
            came(3, "changed", "taken"),
            {"outlet": "mail", "key": "<n1.v1>", "told": [("n1", 1)], "at": 0.0, "taken": True},
        ],
        journal=copy.deepcopy(journal),
        replayed=[copy.deepcopy(notice)],
    )


def test_a_good_run_has_no_fault(good: Evidence) -> None:
    assert check(good) == []


def test_what_was_lost_and_is_said_to_be_uncertain_is_no_fault(good: Evidence) -> None:
    good.slots[1]["remaining"]["book"] = 70
    assert any("lost, and nobody says so" in fault for fault in check(good))
    good.uncertain.add(("L0", "P1"))
    assert check(good) == []
    good.uncertain.add(("L0", "P0"))
    good.slots[0]["remaining"]["book"] = 6
    assert any("for ever" in fault for fault in check(good))
    assert any("lost, and nobody says so" in fault for fault in check(good))  # totals heal by themselves


def test_a_repeat_under_its_id_is_counted_and_no_fault(good: Evidence) -> None:
    good.received.insert(1, came(1, "opened"))
    good.deliveries[0]["attempts"] = 2
    assert check(good) == []
    assert duplicates(good) == 1


def journal_of(evidence: Evidence) -> list[Json]:
    """The one that ``good`` made, which can be changed."""
    assert isinstance(evidence.journal, list)
    return evidence.journal


SPOILED: dict[str, Spoil] = {
    "counted twice": lambda e: e.slots[0]["remaining"].update(book=4),
    "knows nothing of it": lambda e: e.slots.pop(),
    "heard to 2 of 3": lambda e: journal_of(e).pop(),
    "instead of": lambda e: journal_of(e)[4]["data"]["slots"]["T1"].update(placed=94),
    "went in 2 times": lambda e: journal_of(e).append(journal_of(e)[5]),
    "supply b was never heard": lambda e: journal_of(e).pop(1),
    "version 2: no delivery to the webhook": lambda e: e.deliveries.pop(1),
    "is called sent, and never came": lambda e: e.received.pop(0),
    "is called replaced, and nothing as new came": lambda e: e.received.pop(1),
    "is still sending": lambda e: e.deliveries[2].update(state="sending"),
    "doesn't say why": lambda e: e.deliveries[2].update(state="dead"),
    "called sent, and no letter told it": lambda e: e.received.pop(),
    "came under": lambda e: e.received.append(came(3, "changed", "taken", key=2)),
    "came 2 times in 1 attempts": lambda e: e.received.insert(0, e.received[0]),
    "version 1 came after 3": lambda e: e.received.append(e.received.pop(0)),
    "came before it opened": lambda e: e.received.pop(0),
    "and nobody was told": lambda e: e.notices.clear(),
    "in the replay": lambda e: e.replayed[0].update(level="early"),
    "never sent like this": lambda e: e.refused.append({"payload": "?"}),
    "in the log": lambda e: e.leaks.append("secret"),
    "not settled": lambda e: e.unsettled.append("a delivery"),
}


@pytest.mark.parametrize("words", SPOILED)
def test_each_broken_promise_is_found(good: Evidence, words: str) -> None:
    SPOILED[words](good)
    assert any(words in fault for fault in check(good)), check(good)


def test_a_close_ends_a_conversation_unless_it_opens_again(good: Evidence) -> None:
    good.notices[0]["version"] = good.replayed[0]["version"] = 5
    good.deliveries += [delivery(5, 4), delivery(6, 5)]
    good.received += [came(4, "closed", "closed"), came(5, "opened")]
    assert check(good) == []
    good.received[-1] = came(5, "changed", "closed")
    assert any("came after its close" in fault for fault in check(good))
