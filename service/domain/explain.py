"""Why a slot's number is what it is: two plain sentences and the figures behind them.

Derived from the same facts that the forecast uses and from what the forecast said; it decides nothing and
is asked for one slot at a time, when a person looks. Unknown stays ``None``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC

from service.domain import judge
from service.domain.judge import Case
from service.domain.model import Shortfall, Spread, rfc3339_or_none
from service.domain.notices import what_lacks
from service.domain.said import Said, Value, put
from service.domain.sight import Sight
from service.domain.state import SlotState, StationState


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """What is told of the slot now: its state, the parts believed left (``low`` and ``high``: 5 % and 95 %
    quantile, ``expected``: mean), panels to empty, the chance that ``due`` compares, and how
    ``short`` it is of what the orders ahead need."""

    state: str
    low: int | None = None
    expected: float | None = None
    high: int | None = None
    panels: Spread[int] | None = None
    chance: float | None = None
    short: Shortfall | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Shortage:
    """Parts by which supplies like this one differ from what is said of them; negative: fewer. Learned from
    so many finished ``supplies``; 0: what is usually so."""

    low: float
    mean: float
    high: float
    supplies: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """The figures behind a number. ``quantity_from``: ``label``, ``person``, ``usual`` or ``None``;
    ``losses_weighed`` in ``placements_weighed``: what was counted of this slot, faded by age;
    ``unreported``: placements whose losses nobody reported; ``missing``: parts that may have gone
    uncounted; ``shared_with``: slots that feed the same placements."""

    declared: int | None
    quantity_from: str | None
    counted_since: int | None
    shortage: Shortage | None
    loss_rate: float
    usual_loss_rate: float
    losses_weighed: float
    placements_weighed: float
    unreported: int | None
    missing: float | None
    usage_per_panel: float | None
    usage_source: str
    shared_with: tuple[str, ...]
    order_panels_left: int | None
    takt_seconds: float | None
    lead_panels: int
    lead_minutes: float | None
    urgent_panels: int
    chance: float | None
    chance_limit: float
    evidence: tuple[str, ...]
    since: str | None
    last_count: str | None
    session: str | None
    seq: int | None
    assumed: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Why:
    """``said``: the sentences before they were put into English."""

    sentences: tuple[str, str]
    figures: Figures
    said: tuple[Said, Said] | None = None


def why(station: StationState, slot: SlotState, sight: Sight, case: Case | None, told: Forecast) -> Why:
    """What the slot's number rests on, as two sentences and as figures."""
    figures = figures_of(station, slot, sight, case, told)
    said = _what_is_left(slot, figures, told), _what_follows(figures, told)
    return Why(sentences=(put(said[0], UTC), put(said[1], UTC)), figures=figures, said=said)


def figures_of(
    station: StationState, slot: SlotState, sight: Sight, case: Case | None, told: Forecast
) -> Figures:
    known = slot.declared is not None
    a, b = sight.prior.a + slot.lost_evidence, sight.prior.b + slot.placed_evidence
    return Figures(
        declared=slot.declared,
        quantity_from=_quantity_from(slot),
        counted_since=slot.counted if known else None,
        shortage=_shortage(slot, sight),
        loss_rate=a / (a + b),
        usual_loss_rate=sight.prior.a / (sight.prior.a + sight.prior.b),
        losses_weighed=slot.lost_evidence,
        placements_weighed=slot.placed_evidence,
        unreported=slot.blind if known else None,
        missing=slot.missing + slot.unseen if known else None,
        usage_per_panel=sight.usage,
        usage_source="none" if sight.usage is None else "recipe" if sight.by_recipe else "learned",
        shared_with=tuple(name for name in sight.group if name != slot.name),
        order_panels_left=None if case is None else case.needed,
        takt_seconds=judge.takt_of(station),
        lead_panels=judge.lead_of(sight, station),
        lead_minutes=sight.limits.lead_minutes or None,
        urgent_panels=sight.limits.urgent_panels,
        chance=told.chance,
        chance_limit=sight.limits.chance,
        evidence=_evidence(station, slot, case),
        since=rfc3339_or_none(slot.loaded_at),
        last_count=rfc3339_or_none(station.counted_at),
        session=station.counted_session,
        seq=station.counted_seq,
        assumed=slot.assumed,
    )


def _quantity_from(slot: SlotState) -> str | None:
    if slot.declared is None:
        return None
    return "usual" if slot.assumed else "person" if slot.exact else "label"


def _shortage(slot: SlotState, sight: Sight) -> Shortage | None:
    """By how much such a supply usually differs; ``None`` where what was said is taken at its word."""
    law = sight.law
    if slot.declared is None or law.exact:
        return None
    return Shortage(low=law.lowest, mean=round(law.mean, 1), high=law.highest, supplies=law.ends)


def _evidence(station: StationState, slot: SlotState, case: Case | None) -> tuple[str, ...]:
    """What went into the number, in the words of the API."""
    used = {
        "declared": slot.declared is not None and not slot.assumed and not slot.exact,
        "counted by a person": slot.exact,
        "usual quantity": slot.assumed,
        "placements": slot.counted > 0,
        "losses": slot.placed_evidence > 0,
        "missing counts": slot.missing > 0,
        "refill seen": slot.unseen > 0,
        "low signal": slot.low_since is not None,
        "out signal": slot.out_since is not None,
        "order": case is not None and case.needed is not None,
        "takt": judge.takt_of(station) is not None,
    }
    return tuple(name for name, is_used in used.items() if is_used)


def _what_is_left(slot: SlotState, figures: Figures, told: Forecast) -> Said:
    if figures.quantity_from is None or told.expected is None:
        if slot.removed:
            return Said("The supply was removed, and nobody has said what is loaded now.")
        if slot.out_since is not None:
            return Said("A signal says that it ran out, and nobody has said what is loaded now.")
        return Said("Nobody has said how many parts are loaded.")
    values: dict[str, Value] = {
        "said": _what_was_said(figures.quantity_from, figures.declared or 0),
        "counted": slot.counted,
        "expected": round(told.expected),
        "between": _between(told.low, told.high),
        "doubts": _doubts(figures),
    }
    return Said("{said}, {counted} were counted since: about {expected} are left{between}{doubts}.", values)


def _what_was_said(source: str, parts: int) -> Said:
    values = {"parts": parts}
    if source == "label":
        return Said("Loaded with {parts} parts as declared", values)
    if source == "person":
        return Said("A person counted {parts} parts", values)
    return Said("Nobody said how many were loaded; usual are {parts} parts", values)


def _between(low: int | None, high: int | None) -> Value:
    return (
        ""
        if low is None or high is None or low == high
        else Said(" ({low} to {high})", {"low": low, "high": high})
    )


def _doubts(figures: Figures) -> Value:
    doubts = list(_doubted(figures))
    if not doubts:
        return ""
    all_of_them = doubts[0]
    for doubt in doubts[1:]:
        all_of_them = Said("{one} and {other}", {"one": all_of_them, "other": doubt})
    return Said(", because {doubts}", {"doubts": all_of_them})


def _doubted(figures: Figures) -> Iterator[Said]:
    if figures.shortage is not None:
        mean = figures.shortage.mean
        parts = {"parts": _whole(abs(mean))}
        if mean < 0:
            yield Said("such supplies hold about {parts} less than is said", parts)
        else:
            yield Said("such supplies hold about {parts} more than is said", parts)
    if figures.unreported:
        yield Said("losses of {placements} placements were not reported", {"placements": figures.unreported})
    if figures.missing:
        yield Said("up to {parts} parts may have gone uncounted", {"parts": round(figures.missing)})


def _what_follows(figures: Figures, told: Forecast) -> Said:
    if told.state == "empty":
        return Said("A signal says that it is empty: the station waits until a new supply is in.")
    if told.state == "idle":
        return Said("The recipe that runs doesn't use this slot, so it gives no warning.")
    if not figures.usage_per_panel:
        return Said("How many parts a panel takes is not known yet, so there is no forecast in panels.")
    if told.panels is None or told.chance is None:
        return Said("Say what was loaded, or count what is left, and the forecast begins.")
    return Said(
        "{usage} and {lost} lost in 1,000 that is {panels}{between}; the chance that it is empty {within} is"
        " {chance}, and a warning is given from {limit}{lacks}.",
        {
            "usage": _usage(figures.usage_per_panel, figures.shared_with),
            "lost": float(f"{figures.loss_rate * 1000:.2g}"),
            "panels": Said("{number} more panel", {"number": told.panels.p50}, many="{number} more panels"),
            "between": _between(told.panels.p05, told.panels.p95),
            "within": _within(figures),
            "chance": _percent(told.chance),
            "limit": _percent(figures.chance_limit),
            "lacks": Said("; it {lacks}", {"lacks": lacks}) if (lacks := what_lacks(told.short)) else "",
        },
    )


def _usage(usage: float, shared_with: Sequence[str]) -> Said:
    parts = Said("{number} part a panel", {"number": _whole(usage)}, many="{number} parts a panel")
    if not shared_with:
        return Said("At {parts}", {"parts": parts})
    return Said("Together with {slots}, at {parts}", {"parts": parts, "slots": ", ".join(shared_with)})


def _within(figures: Figures) -> Said:
    lead = Said("{number} panel", {"number": figures.lead_panels}, many="{number} panels")
    if figures.order_panels_left is None:
        return Said("within {panels}", {"panels": lead})
    return Said("within {panels} and before the order ends", {"panels": lead})


def _whole(number: float) -> float:
    return int(number) if number == int(number) else number


def _percent(chance: float) -> Said:
    if 0.0 < chance < 0.001:
        return Said("under 0.1 %")
    return Said("{percent} %", {"percent": float(f"{chance * 100:.3g}")})
