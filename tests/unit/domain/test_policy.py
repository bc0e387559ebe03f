"""Which of several settings is in force."""

from __future__ import annotations

import pytest

from service.domain.policy import Limits, Policy, SlotRule, WarnRule, limits_for, slot_rule


def limits(*rules: WarnRule, part: str | None = "MCU-48Q", kind: str | None = "tray") -> Limits:
    policy = Policy(warn=Limits(lead_panels=10, chance=0.1), rules=list(rules))
    return limits_for(policy, line="L3", station="P1", slot="T2", part=part, kind=kind)


def test_without_rules_the_limits_of_the_site_are_in_force():
    assert limits() == Limits(lead_panels=10, lead_minutes=0, urgent_panels=3, chance=0.1)


def test_the_most_specific_rule_wins_key_by_key():
    found = limits(
        WarnRule(line="L*", lead_panels=20, chance=0.2),
        WarnRule(line="L3", slot="T*", lead_panels=30),
        WarnRule(kind="tray", urgent_panels=5),
    )
    assert found == Limits(lead_panels=30, urgent_panels=5, chance=0.2)


@pytest.mark.parametrize(
    ("weaker", "stronger"),
    [
        (WarnRule(lead_panels=1), WarnRule(slot="*", lead_panels=2)),
        (WarnRule(line="*", station="*", slot="*", lead_panels=1), WarnRule(slot="T2", lead_panels=2)),
        (WarnRule(slot="T2", lead_panels=1), WarnRule(slot="T2", part="MCU*", lead_panels=2)),
        (WarnRule(slot="T2", part="MCU*", lead_panels=1), WarnRule(line="L3", slot="T2", lead_panels=2)),
        (WarnRule(slot="T?", lead_panels=1), WarnRule(slot="T[12]", lead_panels=2)),
    ],
    ids=[
        "a pattern over nothing",
        "a name over patterns",
        "more",
        "names over patterns",
        "the later of equals",
    ],
)
def test_what_is_more_specific(weaker, stronger):
    assert limits(weaker, stronger).lead_panels == 2
    if "T?" not in (weaker.slot or ""):
        assert limits(stronger, weaker).lead_panels == 2, "whatever their order"


def test_a_rule_that_does_not_fit_is_not_in_force():
    assert limits(WarnRule(line="l3", lead_panels=99)).lead_panels == 10, "case is kept"
    assert limits(WarnRule(part="*", lead_panels=99), part=None).lead_panels == 10
    assert limits(WarnRule(kind="tray", lead_panels=99), kind=None).lead_panels == 10


def test_urgent_never_comes_before_early():
    assert limits(WarnRule(slot="T2", lead_panels=2)).urgent_panels == 2


def test_what_is_usual_in_a_slot_is_merged_key_by_key():
    policy = Policy(
        slots=[
            SlotRule(slot="T*", kind="tray", full=40, boundary_only=True),
            SlotRule(line="L3", slot="T2", full=160, low_sensor=True),
        ]
    )
    rule = slot_rule(policy, line="L3", station="P1", slot="T2")
    assert (rule.kind, rule.full, rule.boundary_only, rule.low_sensor) == ("tray", 160, True, True)
    assert slot_rule(policy, line="L3", station="P1", slot="F1") == SlotRule()


def test_no_and_zero_are_values_too():
    policy = Policy(slots=[SlotRule(slot="T*", boundary_only=True), SlotRule(slot="T2", boundary_only=False)])
    assert slot_rule(policy, line="L3", station="P1", slot="T2").boundary_only is False
    assert limits(WarnRule(lead_panels=5), WarnRule(slot="T2", lead_panels=0)).lead_panels == 0
