"""A piece of `make torture`: the program dies, loses its broker and its receivers; all promises hold."""

from __future__ import annotations

from pathlib import Path

from tests.torture.run import torture
from tests.torture.stage import Plan

PLAN = Plan(
    seed=39,
    seconds=5.0,
    kills=3,
    brokers=1,
    outages=1,
    lines=2,
    stations=2,
    panels_a_second=8.0,
    settle_within=120.0,
)


def test_whatever_dies_no_count_and_no_notice_is_lost_or_silently_doubled(tmp_path: Path) -> None:
    outcome = torture(PLAN, print, tmp_path)
    assert outcome.violations == []
    assert outcome.toll.kills >= PLAN.kills
    assert outcome.toll.brokers >= PLAN.brokers
    assert outcome.evidence.truth.messages > 100
    assert any(row["state"] == "sent" for row in outcome.evidence.deliveries)
