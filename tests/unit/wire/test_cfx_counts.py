"""Parts of IPC-2591 (CFX) stations: what is used and spoiled leaves the slot, what was lost on the way is
seen from what remains, and nothing counts twice."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.model import SECOND
from service.wire.native import Misfit
from tests.support.cfx_machine import (
    CONSUMED,
    INSTALLED,
    LOADED,
    SNAPSHOT,
    Machine,
    consumed,
    feeder,
    location,
    package,
)

SLOT = "45"


def reel(left: float | None = None, name: str = "A") -> dict[str, object]:
    return location(SLOT, package(name, left), feeder("F1"))


def installed(
    place: dict[str, object] | None, quantity: float, name: str = "A", **more: object
) -> dict[str, object]:
    return {
        "UnitIdentifier": "PNL-1",
        "UnitPositionNumber": 1,
        "QuantityInstalled": float(quantity),
        "Material": package(name),
        "CarrierLocation": place,
        "InstalledComponents": [],
        **more,
    }


def test_what_is_used_and_what_is_spoiled_both_leave_the_slot():
    """Used 42, spoiled 2, remaining 344; used 88, spoiled 3, remaining 258: the numbers of the example of
    ``MaterialsConsumed`` in the class texts of the standard's SDK, where what remains is what is there
    afterwards (as noted in the project's reference, 6.2)."""
    machine = Machine()
    first = location("22", package("M1", 344), feeder("F1"))
    second = location("28", package("M2", 258), feeder("F2"))
    before = [location("22", package("M1", 388)), location("28", package("M2", 349))]
    machine.load(*before)
    machine.use(consumed(first, 42, 344.0, 2.0), consumed(second, 88, 258.0, 3.0))
    assert (machine.totals("22"), machine.totals("28")) == ((42, 2), (88, 3))
    assert (machine.book("22"), machine.book("28")) == (344, 258)


def test_parts_of_a_message_that_never_came_count_with_the_next():
    """Remaining before - used - spoiled = remaining after (the law follows from the fields; no source)."""
    machine = Machine()
    machine.load(reel(500))
    machine.use(consumed(reel(490), 10, 490))
    machine.message(CONSUMED, {"ConsumedMaterials": [consumed(reel(478), 11, 478, 1)]})
    machine.use(consumed(reel(470), 8, 470))
    assert (machine.totals(SLOT), machine.book(SLOT)) == ((30, 0), 470)


def test_a_late_message_whose_parts_were_counted_already_counts_no_more():
    machine = Machine()
    machine.load(reel(500))
    late = machine.message(CONSUMED, {"ConsumedMaterials": [consumed(reel(490), 10, 490)]})
    machine.use(consumed(reel(480), 10, 480))
    assert machine.hear(late) == []
    machine.use(consumed(reel(475), 5, 475))
    assert machine.totals(SLOT) == (25, 0)


def test_where_nobody_says_what_remains_every_message_counts_also_late():
    machine = Machine()
    place = location(SLOT, None, feeder("F1"))
    late = machine.message(CONSUMED, {"ConsumedMaterials": [consumed(place, 10, None)]})
    machine.use(consumed(place, 7, None))
    machine.hear(late)
    assert machine.totals(SLOT) == (17, 0)


@pytest.mark.parametrize("left", [0.0, -1.0, 1e300, 3.5])
def test_a_machine_that_doesnt_know_what_remains_heals_nothing(left):
    machine = Machine()
    machine.load(reel(500))
    for _ in range(3):
        machine.use(consumed(reel(), 10, left))
    assert (machine.totals(SLOT), machine.book(SLOT)) == ((30, 0), 470)


def test_a_clock_that_was_set_back_costs_no_parts():
    """Within a supply what remains only falls, so it tells the order where times don't."""
    machine = Machine()
    machine.load(reel(500))
    machine.use(consumed(reel(490), 10, 490))
    hour = 3600 * SECOND
    machine.at -= hour
    message = machine.message(CONSUMED, {"ConsumedMaterials": [consumed(reel(480), 10, 480)]})
    machine.at += hour
    machine.hear(message)
    machine.use(consumed(reel(475), 5, 475))
    assert machine.totals(SLOT) == (25, 0)


def test_a_supply_that_holds_more_than_before_was_filled_and_counts_on():
    machine = Machine()
    machine.load(reel(20))
    machine.use(consumed(reel(10), 10, 10))
    machine.use(consumed(reel(990), 10, 990))
    machine.use(consumed(reel(980), 10, 980))
    assert machine.totals(SLOT) == (30, 0)


def test_amounts_that_arent_whole_are_no_parts():
    machine = Machine()
    said = machine.use(consumed(location("S1"), 3.45, None), consumed(reel(5), 1, 5))
    assert [list(each.slots) for each in said if hasattr(each, "slots")] == [[SLOT], [SLOT]]


def test_a_part_that_went_back_to_its_carrier_was_never_used():
    """Where a part went that wasn't installed: by the class text of ``NonInstalledComponentLocation``, where
    ``MaterialCarrier`` is back in the carrier. Its words may come as numbers."""
    machine = Machine()
    where = ["Lost", "MaterialCarrier", 2, "RejectionBox", 1]
    machine.say(
        INSTALLED,
        {
            "TransactionId": None,
            "InstalledMaterials": [
                installed(
                    reel(),
                    18,
                    QuantityNonInstalled=6.0,
                    NonInstalledComponents=[
                        {"ReferenceDesignator": "R1", "Location": each} for each in where
                    ],
                ),
                installed(reel(), 18),
            ],
        },
    )
    assert machine.totals(SLOT) == (36, 4)


def test_parts_find_their_slot_by_their_supply():
    machine = Machine()
    machine.load(reel(500))
    machine.say(INSTALLED, {"InstalledMaterials": [installed(location(None), 6), installed(None, 4, "Z")]})
    assert machine.totals(SLOT)[0] == 6
    machine.use(consumed(location(None, package("A", 488)), 12, 488))
    assert (machine.totals(SLOT)[0], machine.book(SLOT)) == (12, 488)


@pytest.mark.parametrize("consumption", [None, "consumed", "installed"])
def test_a_station_that_says_both_counts_once(consumption):
    """Whichever comes first, and also where the first that is heard is consumption of panels whose
    installation was heard one by one."""
    machine = Machine(consumption=consumption)
    machine.load(reel(500))
    for _ in range(2):
        machine.say(INSTALLED, {"InstalledMaterials": [installed(reel(), 18)]})
    machine.use(consumed(reel(460), 36, 460, 4))
    for left in (440, 420):
        machine.say(INSTALLED, {"InstalledMaterials": [installed(reel(), 18)]})
        machine.use(consumed(reel(left), 18, left, 2))
    placed, lost = machine.totals(SLOT)
    assert placed == 72
    assert lost == {None: 8, "consumed": 8, "installed": None}[consumption]


def test_what_is_installed_after_it_was_consumed_counts_no_more():
    machine = Machine()
    machine.load(reel(500))
    for left in (482, 464):
        machine.use(consumed(reel(left), 18, left))
        assert machine.say(INSTALLED, {"InstalledMaterials": [installed(reel(), 18)]}) == []
    assert machine.totals(SLOT) == (36, 0)


@pytest.mark.parametrize("consumption", [None, "installed"])
def test_what_was_installed_is_not_missing_in_a_snapshot(consumption):
    machine = Machine(consumption=consumption)
    machine.load(reel(500))
    machine.say(INSTALLED, {"InstalledMaterials": [installed(reel(), 18)]})
    machine.say(SNAPSHOT, {"Result": {"Result": "Success"}, "Materials": [reel(482)]})
    assert machine.totals(SLOT)[0] == 18


def test_what_the_package_holds_is_left_where_the_message_says_none():
    machine = Machine()
    machine.load(reel(500))
    machine.use(consumed(reel(490), 10, 0.0))
    machine.message(CONSUMED, {})
    machine.use(consumed(reel(470), 10, 0.0))
    assert (machine.totals(SLOT), machine.book(SLOT)) == ((30, 0), 470)


def test_a_load_that_comes_after_what_was_consumed_of_it_is_no_loss():
    machine = Machine()
    machine.load(reel(20, "X"))
    late = machine.message(LOADED, {"Materials": [reel(500)]})
    machine.use(consumed(reel(480), 20, 480))
    machine.load(reel(480))
    again = machine.message(LOADED, {"Materials": [reel(480)]})
    machine.use(consumed(reel(475), 5, 475))
    for message in (late, again):
        machine.hear(message)
    machine.use(consumed(reel(470), 5, 470))
    assert machine.totals(SLOT) == (30, 0)


def test_what_is_left_by_a_snapshot_heals_what_was_missed():
    machine = Machine()
    machine.load(reel(500))
    machine.use(consumed(reel(490), 10, 490))
    machine.say(SNAPSHOT, {"Result": {"Result": "Success"}, "Materials": [reel(450)]})
    machine.say(SNAPSHOT, {"Result": {"Result": "Success"}, "Materials": [reel(450)]})
    assert (machine.totals(SLOT), machine.book(SLOT)) == ((50, 0), 450)


def test_what_a_snapshot_showed_ahead_counts_no_more_when_it_is_told():
    machine = Machine()
    machine.load(reel(500))
    machine.say(SNAPSHOT, {"Materials": [reel(493)]})
    machine.use(consumed(reel(490), 10, 490))
    assert (machine.totals(SLOT), machine.book(SLOT)) == ((10, 0), 490)


def test_what_was_installed_long_ago_is_not_told_as_consumed_now():
    machine = Machine()
    machine.load(reel(500))
    for _ in range(2):
        machine.say(INSTALLED, {"InstalledMaterials": [installed(reel(), 4)]})
        machine.at += 600 * SECOND
    machine.use(consumed(reel(), 7, None))
    assert machine.totals(SLOT)[0] == 4 + 4 + 3


def test_an_absurd_number_of_slots_at_once_is_refused():
    machine = Machine()
    with pytest.raises(Misfit, match="501 slots"):
        machine.use(*(consumed(location(str(each)), 1, None) for each in range(501)))


@given(
    uses=st.lists(st.tuples(st.integers(0, 9), st.integers(0, 3)), min_size=1, max_size=12),
    fates=st.lists(st.sampled_from(["well", "never", "twice", "late", "shown"]), min_size=12, max_size=12),
    restart=st.integers(0, 12),
)
def test_whatever_is_lost_repeated_or_late_the_book_ends_where_the_machine_does(uses, fates, restart):
    """The last message comes; a message may come after the next one, twice, or never, and what is left may
    be shown before it is told what was used."""
    machine = Machine()
    left = 10_000
    machine.load(reel(left))
    waiting: list[dict[str, object]] = []
    for number, ((used, spoiled), fate) in enumerate(zip(uses, fates, strict=False)):
        if number == restart:
            machine.restart()
        if fate == "shown":
            machine.say(SNAPSHOT, {"Materials": [reel(left - used)]})
        left -= used + spoiled
        entry = consumed(reel(left), used, left, spoiled)
        message = machine.message(CONSUMED, {"ConsumedMaterials": [entry]})
        last = number == len(uses) - 1
        if fate == "late" and not last:
            waiting.append(message)
            continue
        for _ in range(0 if fate == "never" and not last else 2 if fate == "twice" else 1):
            machine.hear(message)
        while waiting:
            machine.hear(waiting.pop())
    assert machine.book(SLOT) == left
    counts = [json.loads(each.payload) for each in machine.said if each.address.kind == "count"]
    assert [count["seq"] for count in counts] == list(range(1, len(counts) + 1))
    assert len({count["session"] for count in counts}) <= 1
