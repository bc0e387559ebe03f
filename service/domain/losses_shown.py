"""The losses of a slot as a report shows them: numbers, control charts, changes.

``losses_objects`` gives, worst slots first (shares are of picks; times RFC 3339; unknown null)::

    {"line", "station", "slot", "part" | null, "kind" | null, "picks", "lost", "share",
     "normal": {"share", "from": "own" | "learned" | "alike"},
     "excess",                                                      # parts lost beyond what is normal
     "segments": [{"from", "to", "picks", "lost", "share"}],        # one where nothing changed
     "changes": [{"at", "earliest", "latest", "share_before", "share_after"}],
     "worst": {"from" | null, "to" | null, "times",
               "exchange": {"at", "change", "part", "lot"} | null} | null,
     "p_chart": {"center", "sigmas",
                 "points": [{"from", "to", "picks", "lost", "share", "lower", "upper", "beyond"}]} | null,
     "ewma": {"center", "weight", "sigmas",
              "points": [{"from", "to", "value", "lower", "upper", "beyond"}]} | null,
     "said": {"text", "values"} | null, "sentence": str | null}     # in English, on the plant's clocks
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo
from itertools import pairwise
from typing import Any

import msgspec
import numpy as np

from service.domain.charts import Chart, p_chart, p_ewma_chart
from service.domain.losses import Segment, SlotLosses, Worst
from service.domain.model import to_rfc3339
from service.domain.reviewing import ReviewRules
from service.domain.said import put

_EXPECTED = 5
"""Losses that each group of a chart has on average: with fewer the limits of a p-chart mean little."""
_MOST_POINTS = 48
_WORST = 20
_FEWEST_POINTS = 4
_DIGITS = 6


def losses_objects(losses: Sequence[SlotLosses], rules: ReviewRules, zone: tzinfo) -> list[dict[str, Any]]:
    """The worst ones, and whatever else there is something to say of."""
    shown = [slot for number, slot in enumerate(losses) if number < _WORST or slot.said is not None]
    return [_slot_object(slot, rules, zone) for slot in shown]


def _slot_object(slot: SlotLosses, rules: ReviewRules, zone: tzinfo) -> dict[str, Any]:
    return {
        "line": slot.line,
        "station": slot.station,
        "slot": slot.slot,
        "part": slot.part,
        "kind": slot.kind,
        "picks": int(slot.picks.sum()),
        "lost": int(slot.lost.sum()),
        "share": round(slot.share, _DIGITS),
        "normal": {"share": round(slot.normal, _DIGITS), "from": slot.normal_from},
        "excess": round(slot.excess, 1),
        "segments": [_segment_object(each) for each in slot.segments],
        "changes": [_change_object(before, after) for before, after in pairwise(slot.segments)],
        "worst": None if slot.worst is None else _worst_object(slot.worst),
        **_charts(slot, rules),
        "said": None if slot.said is None else msgspec.to_builtins(slot.said),
        "sentence": None if slot.said is None else put(slot.said, zone),
    }


def _segment_object(segment: Segment) -> dict[str, Any]:
    return {
        "from": to_rfc3339(segment.since),
        "to": to_rfc3339(segment.until),
        "picks": segment.picks,
        "lost": segment.lost,
        "share": round(segment.share, _DIGITS),
    }


def _change_object(before: Segment, after: Segment) -> dict[str, Any]:
    return {
        "at": to_rfc3339(after.since),
        "earliest": to_rfc3339(after.earliest),
        "latest": to_rfc3339(after.latest),
        "share_before": round(before.share, _DIGITS),
        "share_after": round(after.share, _DIGITS),
    }


def _worst_object(worst: Worst) -> dict[str, Any]:
    exchange = worst.exchange
    return {
        "from": None if worst.since is None else to_rfc3339(worst.since),
        "to": None if worst.until is None else to_rfc3339(worst.until),
        "times": round(worst.times, 2),
        "exchange": None
        if exchange is None
        else {
            "at": to_rfc3339(exchange.at),
            "change": exchange.change,
            "part": exchange.part,
            "lot": exchange.lot,
        },
    }


def _charts(slot: SlotLosses, rules: ReviewRules) -> dict[str, Any]:
    """Around what is normal of the slot where its rate changed, else around its share of all."""
    groups = min(_MOST_POINTS, int(slot.lost.sum()) // _EXPECTED, len(slot.at))
    if groups < _FEWEST_POINTS:
        return {"p_chart": None, "ewma": None}
    starts = _starts(slot, groups)
    lost, picks = np.add.reduceat(slot.lost, starts), np.add.reduceat(slot.picks, starts)
    center = slot.normal if len(slot.segments) > 1 else None
    plain = p_chart(lost, picks, center=center, sigmas=rules.limit_sigmas)
    smooth = p_ewma_chart(lost, picks, center=center, weight=rules.ewma_weight, sigmas=rules.limit_sigmas)
    if plain is None or smooth is None:
        return {"p_chart": None, "ewma": None}
    spans = _spans(slot, starts)
    numbers = [{"picks": int(of), "lost": int(some)} for some, of in zip(lost, picks, strict=True)]
    return {
        "p_chart": {
            "center": round(plain.center, _DIGITS),
            "sigmas": rules.limit_sigmas,
            "points": _points(plain, "share", spans, numbers),
        },
        "ewma": {
            "center": round(smooth.center, _DIGITS),
            "weight": rules.ewma_weight,
            "sigmas": rules.limit_sigmas,
            "points": _points(smooth, "value", spans, [{}] * len(spans)),
        },
    }


def _starts(slot: SlotLosses, groups: int) -> Any:
    """The first count of each group, so that all have about as many picks."""
    before = np.cumsum(slot.picks) - slot.picks
    aims = slot.picks.sum() * np.arange(groups) / groups
    starts = np.unique(np.searchsorted(before, aims))
    return starts[starts < len(slot.at)]


def _spans(slot: SlotLosses, starts: Any) -> list[dict[str, str]]:
    begins = slot.begins[starts]
    ends = slot.at[np.concatenate((starts[1:], [len(slot.at)])) - 1]
    return [
        {"from": to_rfc3339(int(begin)), "to": to_rfc3339(int(end))}
        for begin, end in zip(begins, ends, strict=True)
    ]


def _points(
    chart: Chart, name: str, spans: Sequence[dict[str, str]], numbers: Sequence[dict[str, int]]
) -> list[dict[str, Any]]:
    rows = zip(chart.values, chart.lower, chart.upper, chart.beyond, spans, numbers, strict=True)
    return [
        {
            **span,
            **number,
            name: round(float(value), _DIGITS),
            "lower": round(float(lower), _DIGITS),
            "upper": round(float(upper), _DIGITS),
            "beyond": bool(beyond),
        }
        for value, lower, upper, beyond, span, number in rows
    ]
