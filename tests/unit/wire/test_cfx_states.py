"""States and faults of IPC-2591 (CFX) stations as signal towers."""

from __future__ import annotations

from contextlib import suppress
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.model import SECOND, from_datetime
from service.wire.cfx_states import read_duration, read_state
from service.wire.native import Misfit
from tests.support.cfx_machine import CLEARED, FAULT, STATE, Machine, guid, location, package


@pytest.mark.parametrize(
    ("said", "code"),
    [
        ("1100", 1000),
        (1100, 1000),
        ("5500", 5500),
        ("USD_ChangeOfConsumables", 5500),
        ("SDT_ChangeOfConsumables", 4000),
        ("USD_Repair", 5000),
        ("PRD", 1000),
        ("22A0", 2000),
        ("22b0", 2000),
        ("2202", 2000),
        ("3312", 3000),
        ("4412", 4000),
        (5512, 5500),
        ("2203", 2000),
        ("7000", 6000),
        ("0", 6000),
        (55, 6000),
        (-3, None),
        ("IdleStarved", None),
        ("", None),
    ],
)
def test_a_state_is_a_basic_one_or_out_of_supply_and_a_makers_code_is_of_the_one_above(said, code):
    """Codes, names and old codes (22A0 is blocked, 22B0 starved): the class text of ``ResourceState`` in the
    standard's SDK. Levels above a maker's code: the project's reference, 6.4."""
    if code is None:
        with pytest.raises(Misfit, match="no state"):
            read_state(said)
    else:
        assert read_state(said) == code


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("00:01:25", 85), ("00:00:25.5", 25.5), ("6.00:00:00", 518_400), ("1.02:03:04.0000010", 93_784.000001)],
)
def test_a_duration_has_days_and_seven_digits_of_a_second(text, seconds):
    """The first and the third are those of examples in the class texts (``OldStateDuration``,
    ``RemainingExposureTime``); the form is .NET's constant one."""
    assert read_duration(text) == round(seconds * SECOND)


@given(text=st.text(max_size=20) | st.from_regex(r"[0-9.:]{1,20}", fullmatch=True))
def test_any_text_is_a_duration_or_refused(text):
    with suppress(Misfit):
        assert read_duration(text) >= 0


def state(machine: Machine, new: str | int, old: str | None = None, lasted: str | None = None) -> list[Any]:
    body = {"OldState": old, "OldStateDuration": lasted, "NewState": new, "RelatedFault": None}
    return [_shown(each) for each in machine.say(STATE, body)]


def fault(
    machine: Machine, number: int, severity: str | int, kind: str | int | None, slot: str = "45"
) -> list[Any]:
    body = {
        "$type": "CFX.Structures.SMTPlacement.SMTPlacementFault, CFX",
        "PlacementFaultType": kind,
        "FaultOccurrenceId": guid(number),
        "Severity": severity,
        "MaterialLocation": location(slot, package("A")),
    }
    return [_shown(each) for each in machine.say(FAULT, {"Fault": body})]


def _shown(tower: Any) -> str:
    """``green``, ``low 45``, ``out 45``, ``red``: what shines, by the reading that goes first."""
    lamps = tower.lamps
    shines = [lamp for lamp in ("red", "green") if lamps[lamp] == "on"]
    if lamps["yellow"] == "flashing":
        shines += ["out" if tower.buzzer == "on" else "low", *tower.slots]
    return " ".join(shines)


def test_states_shine_as_towers_do():
    machine = Machine()
    shown = [
        (code, state(machine, code))
        for code in ("1100", "2202", "1200", "5500", "1100", "5300", "4400", "6100")
    ]
    assert shown == [
        ("1100", ["green"]),
        ("2202", [""]),
        ("1200", ["green"]),
        ("5500", ["out"]),
        ("1100", ["green"]),
        ("5300", ["red"]),
        ("4400", [""]),
        ("6100", []),
    ]


def test_out_of_supply_after_an_error_is_told_with_its_slot():
    """From 1100 to 5500 with a fault of severity Error after 25 s: the second example of
    ``StationStateChanged`` in the class texts, by the codes of the standard."""
    machine = Machine()
    state(machine, "1100")
    assert fault(machine, 7, "Error", "PartsExhaust") == ["green out 45"]
    assert state(machine, "5500", "1100", "00:00:25") == ["out 45"]
    assert machine.story.slot("45").out_since is not None
    assert state(machine, "1100", "5500", "00:01:25") == ["green"]


def test_a_low_supply_flashes_until_its_fault_is_cleared():
    machine = Machine()
    state(machine, "1100")
    assert fault(machine, 7, "Warning", "LowQuantity") == ["green low 45"]
    assert fault(machine, 8, 1, 14, "46") == ["green low 45 46"]
    cleared = machine.say(CLEARED, {"FaultOccurrenceId": guid(7)})
    assert [_shown(each) for each in cleared] == ["green low 46"]


def test_a_fault_of_a_slot_that_was_filled_since_is_over():
    machine = Machine()
    state(machine, "1100")
    late = machine.message(
        FAULT, {"Fault": {"PlacementFaultType": "PartsExhaust", "MaterialLocation": location("45")}}
    )
    machine.load(location("45", package("B", 100)))
    assert machine.hear(late) == []
    assert machine.hear(late | {"TimeStamp": "2026-03-02T08:00:00Z", "UniqueID": guid(99)}) != []


def test_a_fault_that_stops_the_station_is_red_until_it_is_cleared_or_the_station_produces():
    """Error and Alarm stop, Information and Warning don't: the class text of ``FaultSeverity``."""
    machine = Machine()
    state(machine, "1100")
    for severity in ("Information", "Warning", 0, 1):
        assert fault(machine, 6, severity, "PickupError") == []
    for severity in ("Error", 3):
        assert fault(machine, 7, severity, "PickupError") == ["red"]
        cleared = machine.say(CLEARED, {"FaultOccurrenceId": guid(7)})
        assert [_shown(each) for each in cleared] == ["green"]
    fault(machine, 8, "Alarm", None)
    assert state(machine, "1100") == ["green"]


def test_a_state_whose_beginning_was_missed_is_told_by_how_long_it_lasted():
    machine = Machine()
    state(machine, "1100")
    began = machine.at
    machine.at += 600 * SECOND
    said = machine.say(
        STATE,
        {"OldState": "5500", "OldStateDuration": "00:05:00", "NewState": "1100", "RelatedFault": None},
    )
    assert [_shown(each) for each in said] == ["out", "green"]
    assert from_datetime(said[0].at) == machine.at - 300 * SECOND > began


def test_a_state_that_comes_late_or_is_known_says_nothing_of_before():
    machine = Machine()
    late = machine.message(
        STATE, {"OldState": "1100", "OldStateDuration": "00:01:00", "NewState": "5500", "RelatedFault": None}
    )
    state(machine, "1100")
    assert machine.hear(late) == []
    assert state(machine, "2202", "1100", "00:05:00") == [""]
    assert state(machine, "1100", "2202", "00:00:10") == ["green"]
    assert state(machine, "2202", "5500", "10675199.02:48:05.4775807") == [""]


def test_a_station_whose_state_nobody_tells_runs_unless_something_stops_it():
    machine = Machine()
    assert fault(machine, 7, "Error", "PartsExhaust") == ["out 45"]
    loaded = machine.load(location("45", package("B", 100)))
    assert [_shown(each) for each in loaded[1:]] == ["green"]


@pytest.mark.parametrize("body", [{"NewState": "Busy"}, {"NewState": "1100", "OldStateDuration": "long"}])
def test_a_state_that_is_none_is_refused(body):
    machine = Machine()
    with pytest.raises(Misfit, match=r"Busy|long"):
        machine.say(STATE, body)
    assert machine.translator.memory.take_changes() == {}


def test_what_a_tower_shows_outlives_a_restart():
    machine = Machine()
    state(machine, "1100")
    fault(machine, 7, "Warning", "LowQuantity")
    machine.restart()
    assert state(machine, "1100") == []
    assert state(machine, "2202") == ["low 45"]
