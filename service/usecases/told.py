"""The track record as it is shown: of all warnings and by kind of supply, over the outcomes that are kept.

Figures are sums over what is remembered, so that each can be checked against the others; ``ever`` are the
sums since the beginning."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import fsum
from statistics import mode

from service.domain.history import Outcome, Record, kind_name
from service.domain.model import Instant, to_rfc3339
from service.domain.warned import LATE
from service.domain.who import Answer, Span

MOST_TOLD = 20
Told = tuple[str | None, Outcome]
"""The kind of supply, and what became of one warning."""


def who_object(answer: Answer, at: Instant) -> dict[str, object]:
    return {
        "at": to_rfc3339(at),
        "rounds": [
            {
                "after_minutes": each.minutes,
                "after_panels": each.panels,
                "people": [{"person": name, "outlet": outlet} for name, outlet in each.people],
                "outlets": list(each.outlets),
            }
            for each in answer.rounds
        ],
        "routes": [number + 1 for number in answer.routes],
        "off": list(answer.off),
        "remind_minutes": answer.remind_minutes,
        "remind_panels": answer.remind_panels,
    }


def span_objects(found: Sequence[Span]) -> list[dict[str, object]]:
    return [
        {
            "since": to_rfc3339(each.since),
            "until": to_rfc3339(each.until),
            "people": list(each.people),
            "outlets": list(each.outlets),
        }
        for each in found
    ]


def record_object(records: Sequence[Record], notices: Mapping[str, str]) -> dict[str, object]:
    """``notices``: the id of the notice that tells of a promise that isn't kept, by the name of the kind."""
    kept: list[Told] = [(record.kind, outcome) for record in records for outcome in record.outcomes]
    newest = sorted(kept, key=lambda told: told[1].at, reverse=True)
    late = [told for told in newest if told[1].late >= LATE and not told[1].apart]
    return {
        "all": _figures([outcome for _, outcome in kept]),
        "kinds": [
            {"kind": record.kind}
            | _figures(record.outcomes)
            | {"notice": notices.get(kind_name(record.kind)), "ever": _ever(record)}
            for record in sorted(records, key=lambda record: kind_name(record.kind))
        ],
        "last": [_outcome_object(*told) for told in newest[:MOST_TOLD]],
        "last_late": [_outcome_object(*told) for told in late[:MOST_TOLD]],
    }


def _figures(outcomes: Sequence[Outcome]) -> dict[str, object]:
    judged = [outcome for outcome in outcomes if not outcome.apart]
    late = fsum(outcome.late for outcome in judged)
    return {
        "asked": asked_object([outcome.lead for outcome in judged]),
        "warnings": len(judged),
        "had_them": len(judged) - late,
        "late": late,
        "late_expected": fsum(outcome.chance for outcome in judged),
        "missed": sum(outcome.is_missed for outcome in judged),
        "refilled_before": sum(outcome.given is None for outcome in judged),
        "apart": len(outcomes) - len(judged),
        "interval": {
            "covered": sum(outcome.covered is True for outcome in outcomes),
            "ended": sum(outcome.covered is not None for outcome in outcomes),
        },
        "deciles": _counted(outcome.decile for outcome in outcomes),
    }


def asked_object(leads: Sequence[int]) -> dict[str, int] | None:
    return {"least": min(leads), "usual": mode(leads), "most": max(leads)} if leads else None


def _counted(deciles: Iterable[int | None]) -> list[int]:
    counts = [0] * 10
    for decile in deciles:
        if decile is not None:
            counts[decile] += 1
    return counts


def _ever(record: Record) -> dict[str, object]:
    return {
        "warnings": record.judged,
        "late": record.late,
        "apart": record.apart,
        "interval": {"covered": record.covered, "ended": record.ended},
    }


def _outcome_object(kind: str | None, outcome: Outcome) -> dict[str, object]:
    return {
        "at": to_rfc3339(outcome.at),
        "line": outcome.line,
        "station": outcome.station,
        "slot": outcome.slot,
        "kind": kind,
        "asked": outcome.lead,
        "given": outcome.given,
        "late": outcome.late,
        "missed": outcome.is_missed,
        "covered": outcome.covered,
        "decile": outcome.decile,
        "apart": outcome.apart,
    }
