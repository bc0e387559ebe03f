"""What an invented plant remembers: warnings that are over, and what its finished supplies taught."""

from __future__ import annotations

from collections.abc import Iterator

from service.domain.history import Outcome, Record
from service.domain.model import SECOND

START = 1_772_400_000 * SECOND
HOUR = 3600 * SECOND
SLOTS = [("P1", "F07"), ("P1", "F08"), ("P1", "F11"), ("P2", "F31"), ("P2", "T2")]

LEARNED: list[dict[str, object]] = [
    {
        "kind": "tape",
        "part": None,
        "finished": 412,
        "loss_rate": {"low": 0.0004, "usual": 0.0042, "high": 0.0131},
        "bases": [
            {
                "basis": "label",
                "ends": 200,
                "empties": 171,
                "shortage": {"p05": -19.0, "p50": -4.0, "p95": 8.0},
            },
            {
                "basis": "partial",
                "ends": 31,
                "empties": 26,
                "shortage": {"p05": -44.0, "p50": -9.0, "p95": 12.0},
            },
        ],
    },
    {
        "kind": "tray",
        "part": None,
        "finished": 37,
        "loss_rate": None,
        "bases": [{"basis": "label", "ends": 37, "empties": 37, "shortage": None}],
    },
    {
        "kind": "tape",
        "part": "R-10K-0402",
        "finished": 58,
        "loss_rate": {"low": 0.001, "usual": 0.006, "high": 0.0152},
        "bases": [
            {
                "basis": "label",
                "ends": 58,
                "empties": 50,
                "shortage": {"p05": -31.0, "p50": -12.0, "p95": 2.0},
            }
        ],
    },
]


def _outcomes(number: int, late: int, *, lead: int = 10) -> Iterator[Outcome]:
    """Every third was refilled before; so many of the others came late."""
    for each in range(number):
        station, slot = SLOTS[each % len(SLOTS)]
        at = START + each * HOUR
        if each % 3 == 0:
            yield Outcome(at, "L3", station, slot, lead, None, 0.02, 0.1)
            continue
        is_late = each % (number // max(1, late)) == 1
        decile = 0 if is_late else each * 7 % 10
        given = 4 + each % 5 if is_late else lead + each % 6
        yield Outcome(at, "L3", station, slot, lead, given, float(is_late), 0.1, decile, each % 17 > 0)


def remembered(*, late: int = 7) -> list[Record]:
    """Records of reels, trays and supplies of no stated kind."""
    kinds: list[tuple[str | None, list[Outcome]]] = [
        ("tape", list(_outcomes(194, late))),
        ("tray", list(_outcomes(23, 1))),
        (None, [Outcome(START, "L3", "P2", "F33", 10, 0, 1.0, 0.1)]),
    ]
    return [
        Record(
            kind,
            outcomes,
            judged=len(outcomes),
            late=sum(outcome.late for outcome in outcomes),
            ended=sum(outcome.covered is not None for outcome in outcomes),
            covered=sum(outcome.covered is True for outcome in outcomes),
        )
        for kind, outcomes in kinds
    ]
