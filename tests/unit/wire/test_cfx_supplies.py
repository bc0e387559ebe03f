"""Supplies of IPC-2591 (CFX) stations: loaded, joined, spliced, taken out, counted anew; and the published
splice chain from the machine's messages to the books."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.events import SupplyMessage, TowerMessage
from service.domain.model import SECOND
from service.wire.native import Misfit
from tests.support.cfx_machine import (
    CARRIERS_LOADED,
    CARRIERS_UNLOADED,
    CONSUMED,
    EMPTY,
    JOINED,
    LOADED,
    MODIFIED,
    SNAPSHOT,
    SPLICED,
    SPLIT,
    UNLOADED,
    Machine,
    consumed,
    feeder,
    guid,
    location,
    package,
)

SLOT = "45"


def place(held: dict[str, Any], slot: str = SLOT) -> dict[str, Any]:
    return location(slot, held, feeder("F1"))


def join(machine: Machine, leading: str, trailing: str, quantity: float) -> list[Any]:
    return machine.say(
        JOINED,
        {
            "LeadingMaterialPackage": package(leading),
            "TrailingMaterialPackage": package(trailing, quantity),
        },
    )


def changes(said: list[Any]) -> list[tuple[str, str, int | None, str | None]]:
    supplies = [each for each in said if isinstance(each, SupplyMessage)]
    return [(each.slot, each.change, each.quantity, each.supply) for each in supplies]


def chain(a: float, b: float, grey: float) -> dict[str, Any]:
    """A is consumed first; the standard names the chain by B."""
    return package("B", b, GreyZone=grey, LeadingMaterialPackage=package("A", a))


@pytest.mark.parametrize("named", ["by the last", "by the first"])
def test_the_published_splice_chain_holds_from_message_to_book(named):
    """A100, use 20: A80; splice B200 behind it; use 50: A30; the splice is detected and overrules the count:
    B200, grey zone 10; use 5: B195, 5; use 5: B190, 0 and A is gone; use 50: B140. Source: class comment of
    ``MaterialPackage`` in the CFX SDK (IPC-2591), as noted in the project's reference, 6.3; that the second
    use is 5 is worked out."""
    machine = Machine()
    machine.load(place(package("A", 100, GreyZone=0.0)))
    machine.use(consumed(place(package("A", 80)), 20, 80))
    assert machine.book(SLOT) == 80
    join(machine, "A", "B", 200)
    assert machine.book(SLOT) == 280
    held = chain(30, 200, 0) if named == "by the last" else package("A", 30)
    machine.use(consumed(place(held), 50, 30))
    assert machine.book(SLOT) == 230
    detected = {
        "DepletedMaterial": place(package("A", 0)),
        "NewlyActiveMaterial": place(package("B", 200, GreyZone=10.0)),
    }
    assert machine.say(SPLICED, detected)[0].grey == 10
    assert (machine.book(SLOT), machine.story.slot(SLOT).grey_zone) == (200, 10)
    found = []
    for left, grey in ((195, 5), (190, 0)):
        machine.use(consumed(place(chain(0, left, grey)), 5, left))
        found.append((machine.book(SLOT), machine.story.slot(SLOT).grey_zone))
    assert found == [(195, 5), (190, 0)]
    assert machine.say(EMPTY, {"EmptyMaterials": [place(package("A", 0))]}) == []
    machine.use(consumed(place(package("B", 140)), 50, 140))
    assert (machine.book(SLOT), machine.totals(SLOT)) == (140, (130, 0))


@pytest.mark.parametrize("left", ["in the first", "in all"])
def test_parts_that_were_lost_around_a_joint_are_counted_too(left):
    """Once a tape was joined the chain goes by its name. Whether what remains is then that of the tape which
    feeds or of both, the standard doesn't say."""
    machine = Machine()
    machine.load(place(package("A", 100)))
    machine.use(consumed(place(package("A", 80)), 20, 80))
    join(machine, "A", "B", 200)
    machine.message(CONSUMED, {"ConsumedMaterials": []})
    behind = 200 if left == "in all" else 0
    machine.use(consumed(place(chain(60, 200, 0)), 10, 60 + behind))
    machine.use(consumed(place(chain(50, 200, 0)), 10, 50 + behind))
    assert (machine.totals(SLOT), machine.book(SLOT)) == ((50, 0), 250)


@pytest.mark.parametrize("held", [package("A", 0), chain(0, 200, 0)])
def test_without_a_sensor_the_joint_passes_when_the_tape_before_it_is_empty(held):
    machine = Machine()
    machine.load(place(package("A", 40)))
    join(machine, "A", "B", 200)
    machine.use(consumed(place(package("A", 5)), 35, 5))
    said = machine.say(EMPTY, {"EmptyMaterials": [place(held)]})
    assert changes(said) == [(SLOT, "spliced", None, None)]
    assert machine.book(SLOT) == 200


def test_the_last_of_a_chain_that_is_empty_leaves_the_slot_out_until_something_is_loaded():
    machine = Machine()
    machine.load(place(package("A", 40)))
    machine.use(consumed(place(package("A", 1)), 39, 1))
    out = machine.say(EMPTY, {"EmptyMaterials": [place(package("A", 0))]})
    assert [(each.lamps["yellow"], each.buzzer, each.slots) for each in out] == [("flashing", "on", [SLOT])]
    assert machine.story.slot(SLOT).out_since is not None
    loaded = machine.load(place(package("B", 300)))
    assert [type(each) for each in loaded] == [SupplyMessage, TowerMessage]
    assert (loaded[1].lamps["yellow"], loaded[1].buzzer) == ("off", "off")
    assert (machine.book(SLOT), machine.story.slot(SLOT).out_since) == (300, None)


def test_a_joint_may_pass_that_nobody_said_was_made():
    machine = Machine()
    machine.load(place(package("A", 40)))
    detected = {"DepletedMaterial": place(package("A", 0)), "NewlyActiveMaterial": place(package("C", 90))}
    assert changes(machine.say(SPLICED, detected)) == [(SLOT, "loaded", 90, "C")]
    assert machine.say(SPLICED, detected) == []
    assert machine.book(SLOT) == 90


def test_several_joints_pass_at_once_where_the_signals_between_never_came():
    machine = Machine()
    machine.load(place(package("A", 40)))
    join(machine, "A", "B", 200)
    join(machine, "B", "C", 300)
    said = machine.say(SPLICED, {"NewlyActiveMaterial": place(package("C", 300))})
    assert changes(said) == [(SLOT, "spliced", None, None)] * 2
    assert machine.book(SLOT) == 300


def test_a_reel_that_was_joined_unsaid_is_seen_in_the_chain():
    machine = Machine()
    machine.load(place(package("A", 40)))
    said = machine.use(consumed(place(chain(38, 200, 0)), 2, 38))
    assert changes(said) == [(SLOT, "joined", 200, "B")]
    assert machine.book(SLOT) == 238


def test_a_reel_that_was_loaded_unsaid_is_seen_by_what_is_consumed():
    machine = Machine()
    machine.load(place(package("A", 40)))
    said = machine.use(consumed(place(package("B", 480)), 18, 480, 2.0))
    assert changes(said) == [(SLOT, "loaded", 500, "B")]
    assert machine.book(SLOT) == 480
    machine.use(consumed(place(package("B", 470)), 10, 470))
    assert machine.book(SLOT) == 470


@pytest.mark.parametrize("exchange", ["loaded over", "taken out"])
def test_what_a_panel_took_before_an_exchange_is_no_part_of_what_came(exchange):
    machine = Machine()
    machine.load(place(package("A", 40)))
    machine.use(consumed(place(package("A", 30)), 10, 30))
    if exchange == "taken out":
        machine.say(UNLOADED, {"MaterialPackageIdentifiers": ["A"]})
        assert machine.use(consumed(place(package("A", 27)), 3, 27)) == []
        assert machine.story.slot(SLOT).removed
    machine.load(place(package("B", 500)))
    said = machine.use(consumed(place(package("A", 27)), 3, 27), consumed(place(package("B", 498)), 2, 498))
    assert changes(said) == []
    assert (machine.totals(SLOT), machine.book(SLOT)) == ((12, 0), 498)


def test_a_supply_that_comes_back_unsaid_is_seen_later():
    machine = Machine()
    machine.load(place(package("A", 40)))
    machine.load(place(package("B", 500)))
    machine.at += 601 * SECOND
    said = machine.use(consumed(place(package("A", 30)), 10, 30))
    assert changes(said) == [(SLOT, "loaded", 40, "A")]


def test_a_snapshot_says_only_what_differs():
    machine = Machine()
    machine.load(place(package("A", 40)), place(package("B", 50), "46"))
    held = [place(package("A", 40)), place(package("C", 70), "46"), place(package("D", 80), "47")]
    said = machine.say(SNAPSHOT, {"Result": {"Result": "Success"}, "Materials": held})
    assert changes(said) == [("46", "loaded", 70, "C"), ("47", "loaded", 80, "D")]


def test_a_load_that_comes_late_changes_nothing_that_came_after_it():
    machine = Machine()
    late = machine.message(LOADED, {"Materials": [place(package("A", 500))]})
    machine.use(consumed(place(package("A", 480)), 20, 480))
    assert machine.hear(late) == []
    older = machine.message(LOADED, {"Materials": [place(package("X", 9))]})
    machine.load(place(package("B", 300)))
    assert machine.hear(older) == []
    machine.use(consumed(place(package("B", 290)), 10, 290))
    assert machine.book(SLOT) == 290


def test_a_time_from_the_future_makes_nothing_after_it_late():
    machine = Machine()
    wrong = machine.message(LOADED, {"Materials": [place(package("A", 500))]})
    machine.hear(wrong | {"TimeStamp": "2031-01-01T00:00:00Z"})
    assert changes(machine.load(place(package("B", 300)))) == [(SLOT, "loaded", 300, "B")]


def test_supplies_are_taken_out_by_their_names_and_carriers_with_what_is_in_them():
    machine = Machine()
    machine.load(place(package("A", 40)), location("46", package("B", 50), feeder("F2")))
    unloaded = machine.say(UNLOADED, {"MaterialPackageIdentifiers": ["A", "Z"]})
    assert changes(unloaded) == [(SLOT, "removed", None, None)]
    machine.use(consumed(location("46", package("B", 40)), 10, 40))
    machine.say(CARRIERS_UNLOADED, {"CarrierIdentifiers": ["F2"]})
    assert machine.story.slot("46").removed
    said = machine.say(CARRIERS_LOADED, {"Carriers": [location("50", None, feeder("F2"))]})
    assert changes(said) == [("50", "loaded", None, "B")]
    assert machine.book("50") == 40


def test_a_base_is_taken_out_with_all_its_lanes():
    machine = Machine()
    lanes = [location(SLOT, package(f"R{each}", 9), feeder(f"F{each}", each, base="F")) for each in (1, 2)]
    machine.load(*lanes)
    said = machine.say(CARRIERS_UNLOADED, {"CarrierIdentifiers": ["F"]})
    assert changes(said) == [(SLOT, "removed", None, None), (f"{SLOT}-2", "removed", None, None)]


def test_what_was_put_into_a_feeder_elsewhere_comes_with_it():
    """The second of the three uses of ``MaterialsLoaded`` in the class texts: into a carrier alone."""
    machine = Machine()
    bench = machine.message(LOADED, {"Materials": [location(None, package("A", 500), feeder("F1"))]})
    assert machine.hear(bench | {"Source": "bench.kitting.1"}) == []
    join(machine, "A", "B", 300)
    machine.restart()
    said = machine.say(CARRIERS_LOADED, {"Carriers": [location(SLOT, None, feeder("F1"))]})
    assert changes(said) == [(SLOT, "loaded", 500, "A"), (SLOT, "joined", 300, "B")]
    assert machine.say(CARRIERS_LOADED, {"Carriers": [location("46", None, feeder("F9"))]}) == []


def test_a_reel_in_another_slot_is_in_its_old_one_no_more():
    machine = Machine()
    machine.load(place(package("A", 40)))
    machine.load(place(package("A", 40), "46"))
    assert changes(machine.say(UNLOADED, {"MaterialPackageIdentifiers": ["A"]})) == [
        ("46", "removed", None, None)
    ]


def test_a_supply_is_where_it_was_when_what_came_since_is_taken_back():
    machine = Machine()
    machine.load(place(package("A", 40)))
    machine.commit()
    machine.load(place(package("A", 40), "46"))
    machine.translator.memory.undo(machine.stored.get)
    machine.translator.begin_anew()
    unloaded = machine.say(UNLOADED, {"MaterialPackageIdentifiers": ["A"]})
    assert changes(unloaded) == [(SLOT, "removed", None, None)]


def test_a_supply_that_holds_all_that_can_be_counted_is_loaded_with_no_more():
    held = place(package("A", 2**53 - 1))
    said = Machine().use(consumed(held, 10, None))
    assert changes(said) == [(SLOT, "loaded", 2**53 - 1, "A")]


def test_a_manual_recount_is_one_also_within_a_chain():
    machine = Machine()
    machine.load(place(package("A", 40)))
    recount = {"Reason": "ManualCountAndQuantityUpdate", "Materials": [package("A", 37)]}
    assert changes(machine.say(MODIFIED, recount)) == [(SLOT, "counted", 37, None)]
    join(machine, "A", "B", 200)
    machine.use(consumed(place(package("A", 32)), 5, 32))
    said = machine.say(MODIFIED, {"Reason": 2, "Materials": [package("B", 190), package("Z", 5)]})
    assert changes(said) == [(SLOT, "counted", 32, None), (SLOT, "joined", 190, "B")]
    machine.say(SPLICED, {"NewlyActiveMaterial": place(package("B", 190))})
    assert machine.book(SLOT) == 190


def test_of_a_chain_that_was_opened_what_stays_is_what_is_left():
    machine = Machine()
    machine.load(place(package("A", 40)))
    join(machine, "A", "B", 200)
    said = machine.say(
        SPLIT,
        {"SplittedMaterialPackage": package("B", 200), "RemainingMaterialPackage": package("A", 38)},
    )
    assert changes(said) == [(SLOT, "counted", 38, None)]
    assert machine.book(SLOT) == 38


NAMES = st.sampled_from(["A", "B", "C", "", None])
PACKAGES = st.builds(
    lambda name, quantity, leading: package(
        name, quantity, LeadingMaterialPackage=None if leading is None else package(*leading)
    ),
    NAMES,
    st.none() | st.integers(0, 9),
    st.none() | st.tuples(NAMES, st.none() | st.integers(0, 9)),
)
PLACES = st.builds(
    location,
    st.sampled_from(["45", "46", None]),
    st.none() | PACKAGES,
    st.none() | st.builds(feeder, st.sampled_from(["F1", "F2", ""]), base=st.sampled_from(["F", None])),
)
SAID = st.one_of(
    st.tuples(st.sampled_from([LOADED, SNAPSHOT]), st.builds(lambda each: {"Materials": [each]}, PLACES)),
    st.tuples(st.just(CARRIERS_LOADED), st.builds(lambda each: {"Carriers": [each]}, PLACES)),
    st.tuples(st.just(EMPTY), st.builds(lambda each: {"EmptyMaterials": [each]}, PLACES)),
    st.tuples(
        st.just(CONSUMED),
        st.builds(
            lambda each, left: {"ConsumedMaterials": [consumed(each, 2, left)]},
            PLACES,
            st.none() | st.integers(0, 9).map(float),
        ),
    ),
    st.tuples(st.just(SPLICED), st.fixed_dictionaries({"NewlyActiveMaterial": PLACES})),
    st.tuples(
        st.just(JOINED),
        st.fixed_dictionaries({"LeadingMaterialPackage": PACKAGES, "TrailingMaterialPackage": PACKAGES}),
    ),
    st.tuples(st.just(SPLIT), st.fixed_dictionaries({"RemainingMaterialPackage": PACKAGES})),
    st.tuples(st.just(MODIFIED), st.builds(lambda each: {"Materials": [each]}, PACKAGES)),
    st.tuples(st.just(UNLOADED), st.sampled_from([{"MaterialPackageIdentifiers": ["A", "C"]}])),
    st.tuples(st.just(CARRIERS_UNLOADED), st.sampled_from([{"CarrierIdentifiers": [each]} for each in "F"])),
)


@given(st.lists(SAID, max_size=20))
def test_whatever_is_said_of_supplies_each_is_in_one_slot_and_a_restart_changes_nothing(said):
    going_on, restarted = Machine(), Machine()
    for name, body in said:
        message = going_on.message(name, body)
        restarted.message(name, body)
        assert going_on.hear(message) == restarted.hear(message)
        restarted.restart()
    gone = {"MaterialPackageIdentifiers": ["A"]}
    assert len(changes(going_on.say(UNLOADED, gone))) <= 1


@pytest.mark.parametrize(
    ("kind", "means"),
    [
        ("SMDTapeFeeder", "tape"),
        ("SMDTrayFeeder", "tray"),
        ("SMDTubeFeeder", "stick"),
        ("SMDBulkCaseFeeder", "bulk"),
        ("SomethingNew", None),
    ],
)
def test_the_class_of_the_carrier_says_the_kind_of_supply(kind, means):
    """The classes of carriers of the class texts of the standard's SDK."""
    [said] = Machine().load(location(SLOT, package("A", 40, BatchId="L7"), feeder("F1", kind=kind)))
    assert (said.kind, said.part, said.lot) == (means, "R-10K", "L7")


def test_what_is_loaded_is_named_by_its_message_so_that_it_is_known_again():
    machine = Machine()
    [said] = machine.load(place(package("A", 40)))
    assert said.id == f"{guid(1)}/0"


def test_a_chain_longer_than_any_tape_is_refused():
    held = package("R0")
    for each in range(1, 17):
        held = package(f"R{each}", LeadingMaterialPackage=held)
    with pytest.raises(Misfit, match="more than 16 packages"):
        Machine().use(consumed(place(held), 1, 1))
