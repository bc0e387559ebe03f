"""How bad a slot stands: the chance that `due` compares, and the level that follows from it.

Decisions are made per event behind a cheap exact bound, so that batch borders change nothing. A group of
slots that feed the same placements is judged as one: its parts are added up."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from service.domain import skips
from service.domain.depletion import lasting
from service.domain.horizon import Horizon
from service.domain.inquiry import Question
from service.domain.law import Floats, together
from service.domain.model import Level
from service.domain.outlook import chance_due
from service.domain.pace import pace_of, panels_within
from service.domain.policy import Limits
from service.domain.sight import Sight, demand
from service.domain.state import LineState, SlotState, StationState

BETTER_SHARE = 0.5
"""A notice closes as better only below half its chance, and one panel or a tenth of the lead clear of the
edge: the hysteresis that keeps a value at the edge from flapping."""

FEWEST_MARKS = 2
"""Times that a sensor must have said low before the slot ran out, before it is believed."""
_MARK_SPREAD = 2.0
_PARTS = Horizon(usage=1.0)
_HAIR = 4e-6
"""More than rounding can do to a chance."""


@dataclass(frozen=True, slots=True)
class Case:
    """One slot (or group) before the judge; ``needed``: panels the known orders still want, ``None`` without
    end."""

    question: Question
    needed: int | None

    def chance_within(self, panels: int) -> float:
        """P(panels to empty <= ``panels`` and < panels still needed), rounded to 1e-6."""
        return chance_due(self.question, panels, self.needed)

    def surely_below(self, chance: float, panels: int) -> bool:
        """Whether ``chance_within`` certainly is: cheap where boards are skipped."""
        if not self.question.paths:
            return False
        return chance_due(self.question, panels, self.needed, whole=True) < chance - _HAIR


def speaks(station: StationState, slot: SlotState, sights: Mapping[str, Sight]) -> bool:
    """Of those that feed the same placements the one with least in it does."""
    group = [station.slots[name] for name in sights[slot.name].group if name in station.slots]
    return not group or slot is min(group, key=lambda one: (one.book is None, one.book or 0, one.name))


def case_of(
    line: LineState, station: StationState, slot: SlotState, sights: Mapping[str, Sight]
) -> Case | None:
    """The case of a slot, or of the group it feeds with; ``None`` where quantity or usage are unknown."""
    sight = sights[slot.name]
    usage = sight.usage
    if not usage:
        return None
    members = [station.slots[name] for name in sight.group if name in station.slots] or [slot]
    # A slot that hasn't reported since the last panel was complete has given nothing to the one in work.
    taken = sum(member.taken for member in members if member.reported_panels == station.progress)
    wanted = demand(line, station, sight, usage)
    horizon = Horizon(steps=wanted.steps, usage=usage, taken=min(taken, usage))
    paths = skips.paths(horizon, station.skips) if station.skips else ()
    question = question_of(members, sights, horizon, paths)
    return None if question is None else Case(question, wanted.panels)


def question_of(
    members: Sequence[SlotState],
    sights: Mapping[str, Sight],
    horizon: Horizon,
    paths: Sequence[Horizon] = (),
) -> Question | None:
    """What the members hold together against ``horizon``, or its ``paths``; ``None`` where one's quantity
    isn't known (in a group, one that is known to be empty counts as nothing)."""
    known: list[tuple[Floats, Floats]] = []
    for slot in members:
        if slot.declared is None and len(members) > 1 and (slot.removed or slot.out_since is not None):
            continue
        if slot.declared is None:
            return None
        known.append(_left(slot, slot.declared, sights[slot.name]))
    if not known:
        return None
    left, weight = together(known)
    prior = sights[members[0].name].prior
    blind = float(sum(slot.blind for slot in members))
    trust = lasting(max(0.0, float((left * weight).sum())) + blind)
    return Question(
        horizon=horizon,
        left=left,
        weight=weight,
        a=prior.a + trust * sum(slot.lost_evidence for slot in members),
        b=prior.b + trust * sum(slot.placed_evidence for slot in members),
        blind=blind,
        paths=paths,
    )


def held(slot: SlotState, sights: Mapping[str, Sight], case: Case | None) -> Question | None:
    """What the slot holds by itself, in parts; taken from its ``case`` where no other feeds with it."""
    if case is not None and len(sights[slot.name].group) <= 1:
        of = case.question
        return Question(horizon=_PARTS, left=of.left, weight=of.weight, a=of.a, b=of.b, blind=of.blind)
    return question_of([slot], sights, _PARTS)


def _left(slot: SlotState, declared: int, sight: Sight) -> tuple[Floats, Floats]:
    law = sight.law
    if slot.out_since is not None:
        return np.zeros_like(law.offsets), law.weights
    above, below = sensed(slot, sight)
    left, weight = law.left(declared - slot.counted, above=above, below=below)
    doubtful = slot.missing + slot.unseen
    if doubtful:
        # Counts that never came, or parts gone before a refill was seen: anything from none to all, evenly.
        share = (np.arange(len(left), 0, -1) - 0.5) / len(left)
        return np.rint(left - doubtful * share), np.full(len(left), 1.0 / len(left))
    return left, weight


def sensed(slot: SlotState, sight: Sight) -> tuple[float, float]:
    """More than the first and at most the second number of parts are left, as far as the sensor of the slot
    says: it spoke so many parts ago, or it was heard before from this slot and is still silent."""
    marks = slot.sensor_marks
    if not sight.rule.low_sensor or len(marks) < FEWEST_MARKS:
        return 0.0, np.inf
    usual = float(median(marks))
    give = 2.0 * max(_MARK_SPREAD, (sum((mark - usual) ** 2 for mark in marks) / len(marks)) ** 0.5)
    if slot.low_counted is None:
        return max(0.0, usual - give), np.inf
    since = slot.counted - slot.low_counted
    return max(0.0, usual - give - since), max(1.0, usual + give - since)


def takt_of(station: StationState) -> float | None:
    """Seconds a panel takes: the median of the last takts; ``None`` before there are three."""
    return median(station.takts) if len(station.takts) >= 3 else None


def lead_of(sight: Sight, station: StationState) -> int:
    """The lead in panels: as asked, or as many as may pass in the minutes of work, whichever is more."""
    if not sight.limits.lead_minutes:
        return sight.limits.lead_panels
    pace = pace_of(station)
    within = 0 if pace is None else panels_within(pace, sight.limits.lead_minutes * 60.0)
    return max(sight.limits.lead_panels, within)


def level_of(case: Case, limits: Limits, chance: float) -> Level | None:
    """Urgent, early or neither, where ``chance`` is that within the lead. Empty is never concluded from
    numbers; a signal says it."""
    if chance < limits.chance - _HAIR and limits.urgent_panels <= limits.lead_panels:
        return None  # sooner is never likelier
    if case.chance_within(limits.urgent_panels) >= limits.chance:
        return Level.URGENT
    return Level.EARLY if chance >= limits.chance else None


def level_within(case: Case, limits: Limits, lead: int) -> Level | None:
    """``level_of`` the chance within the lead, which is worked out only where it may matter."""
    if limits.urgent_panels <= limits.lead_panels and case.surely_below(limits.chance, lead):
        return None
    return level_of(case, limits, case.chance_within(lead))


def is_better(case: Case, sight: Sight, station: StationState) -> bool:
    """Clear of the edge by the hysteresis: its notice may close."""
    lead = lead_of(sight, station)
    return case.chance_within(lead + max(1, lead // 10)) < sight.limits.chance * BETTER_SHARE
