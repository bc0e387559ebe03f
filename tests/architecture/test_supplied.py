"""What comes from others: licences that we may take, a bill of materials that its schema takes, and what is
made of an audit."""

from __future__ import annotations

import copy
import json
from datetime import date, timedelta
from typing import Any

import pytest

from tests.supplied.audit import ACCEPTED, Acceptance, accepted, judge
from tests.supplied.bill import bill, faults
from tests.supplied.licences import BY_HAND, EXCEPTIONS, PAGE, TAKEN, _is_taken, licence_of, page, refused
from tests.supplied.locked import DEVELOPMENT, RUNTIME, Pin, pins

TODAY = date(2026, 3, 2)


def test_each_locked_package_comes_under_a_licence_that_we_take() -> None:
    assert refused(pins(DEVELOPMENT)) == []


def test_each_exception_and_each_licence_settled_by_hand_is_of_a_locked_package_and_needed() -> None:
    locked = {pin.name for pin in pins(DEVELOPMENT)}
    assert set(EXCEPTIONS) | set(BY_HAND) <= locked
    assert [name for name in EXCEPTIONS if _is_taken(licence_of(name))] == []


@pytest.mark.parametrize(
    ("expression", "taken"),
    [
        ("MIT", True),
        ("GPL-3.0-only", False),
        ("GPL-3.0-only OR MIT", True),
        ("MIT AND GPL-3.0-only", False),
        ("MIT AND Zlib OR AGPL-3.0-only", True),
        ("(MIT OR GPL-3.0-only) AND Zlib", False),
    ],
)
def test_of_several_licences_offered_one_is_enough_and_of_several_demanded_all(
    expression: str, *, taken: bool
) -> None:
    assert _is_taken(expression) is taken


def test_the_page_of_licences_is_that_of_the_lock_files() -> None:
    assert PAGE.read_text(encoding="utf-8") == page(), "run `make licences` and commit deploy/licences.md"
    assert "GPL" not in ", ".join(TAKEN)


def test_the_bill_of_materials_has_exactly_what_is_locked_and_its_schema_takes_it() -> None:
    text = bill()
    parts = json.loads(text)["components"]
    found = [
        Pin(each["name"], each["version"], tuple(h["content"] for h in each["hashes"])) for each in parts
    ]
    assert sorted(found, key=lambda pin: pin.name) == pins(RUNTIME)
    assert all(each["licenses"] for each in parts)
    assert faults(text) == []
    assert bill() == text


def test_the_schema_refuses_a_bill_that_is_not_one() -> None:
    broken = json.loads(bill())
    broken["components"][0]["licenses"] = [{"license": {"id": "no licence"}}]
    assert faults(json.dumps(broken)) != []


# The audit. What pip-audit really says is tried in integration/test_audit_of_the_lock.py.

FOUND: dict[str, Any] = {
    "dependencies": [
        {"name": "alembic", "version": "1.20.1", "vulns": []},
        {
            "name": "jinja2",
            "version": "3.1.0",
            "vulns": [{"id": "PYSEC-1", "aliases": ["CVE-1"], "fix_versions": ["3.1.5"], "description": ""}],
        },
    ]
}


def holding(until: date, advisory: str = "CVE-1") -> Acceptance:
    return Acceptance(advisory=advisory, package="jinja2", until=until, why="never called")


def test_a_known_vulnerability_fails_and_says_what_to_do() -> None:
    verdict = judge(FOUND, [], TODAY)
    assert verdict.failed
    assert verdict.lines[0] == "audit: 2 of 2 packages were looked up"
    assert "jinja2 3.1.0: PYSEC-1, mended in 3.1.5: raise its lower bound" in verdict.lines[1]


def test_one_that_is_accepted_passes_until_its_last_day_and_fails_from_then_on() -> None:
    assert not judge(FOUND, [holding(TODAY)], TODAY).failed
    over = judge(FOUND, [holding(TODAY - timedelta(days=1))], TODAY)
    assert over.failed
    assert "accepted until 2026-03-01: look again" in over.lines[-1]


def test_an_acceptance_that_nothing_needs_is_named() -> None:
    verdict = judge(FOUND, [holding(TODAY), holding(TODAY, "CVE-2")], TODAY)
    assert (verdict.failed, verdict.lines[-1]) == (False, "audit: CVE-2 isn't found any more: take it out")


def test_what_nobody_knows_is_not_audited_and_said_so() -> None:
    unknown = [
        {"name": "alembic", "skip_reason": "not found"},
        {"name": "jinja2", "skip_reason": "not found"},
    ]
    verdict = judge({"dependencies": unknown}, [], TODAY)
    assert (verdict.failed, [line[:18] for line in verdict.lines]) == (False, ["audit: NOT AUDITED"])
    some = copy.deepcopy(FOUND)
    some["dependencies"][0] = unknown[0]
    assert judge(some, [holding(TODAY)], TODAY).lines[:2] == [
        "audit: 1 of 2 packages were looked up",
        "audit: not audited, because the index doesn't know them: alembic",
    ]


@pytest.mark.parametrize(("why", "days"), [(" ", 1), ("never called", 91)])
def test_nothing_is_accepted_without_a_reason_or_for_more_than_ninety_days(why: str, days: int) -> None:
    until = TODAY + timedelta(days=days)
    text = f'[[accepted]]\nadvisory = "A"\npackage = "p"\nuntil = {until}\nwhy = "{why}"'
    with pytest.raises(ValueError, match="A: wants a reason, and a last day within 90 days"):
        accepted(text, TODAY)


def test_what_is_accepted_can_be_read() -> None:
    text = ACCEPTED.read_text(encoding="utf-8")
    accepted(text, date(2100, 1, 1))
    example = "\n".join(line.removeprefix("#") for line in text.splitlines()[1:])
    assert [each.package for each in accepted(example, date(2026, 12, 1))] == ["name-as-in-the-lock"]
