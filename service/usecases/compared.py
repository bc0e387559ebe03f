"""Settings that were tried, side by side: as rows for a spreadsheet and as lines for a terminal."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

Json = dict[str, Any]
_MINUTE = 60_000
_MARKS = {
    "recommended": "recommended",
    "same": "as recorded",
    "front": "worth a look",
    "alike": "alike",
}
_HEADS = (
    "setting",
    "best",
    "stop_minutes",
    "stop_minutes_low",
    "stop_minutes_high",
    "stops",
    "messages_per_person_hour",
    "messages",
    "verdict",
    "warnings",
    "needless",
    "missed",
    "late",
    "lead_panels_p50",
    "lead_minutes_p50",
    "plan_stops",
    "plan_costs",
)


def rows_of(result: Json) -> Iterator[Sequence[object]]:
    """A head, then a row for each setting."""
    yield _HEADS
    for each in result["settings"]:
        stops, lead, plan = each["stop_ms"], each["lead"], each["plan"] or {}
        yield (
            each["name"],
            mark_of(each),
            *(round(stops[name] / _MINUTE, 2) for name in ("mean", "low", "high")),
            each["stops"]["mean"],
            each["messages"]["per_person_hour"],
            each["messages"]["all"],
            each["messages"]["verdict"],
            *(each["warnings"][name] for name in ("opened", "needless", "missed", "late")),
            None if lead["panels"] is None else lead["panels"]["p50"],
            None if lead["minutes"] is None else lead["minutes"]["p50"],
            plan.get("stops"),
            plan.get("costs"),
        )


def mark_of(row: Json) -> str:
    return next((said for key, said in _MARKS.items() if row[key]), "")


def lines_of(result: Json) -> Iterator[str]:
    """The table for a terminal, and why the first is best."""
    recording, towers, was = result["recording"], result["towers"], result["as_it_was"]
    people, alone = result["people"], towers["stop_ms"]["mean"]
    yield f"{recording['site']}, {recording['from']} to {recording['to']}, {recording['messages']} messages"
    yield (
        f"{was['emptyings']} supplies came to their end, {was['ran_out']} ran out;"
        f" stations waited {was['stop_ms'] / _MINUTE:.1f} min"
    )
    yield (
        f"by the towers alone they would have waited {alone / _MINUTE:.1f} min"
        f" (people of {people['scenario']}, {people['seeds']} tries)"
    )
    yield ""
    rows = [_COLUMNS, *map(_cells, result["settings"])]
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        named = [cell.ljust(width) for cell, width in zip(row[:2], widths[:2], strict=True)]
        numbers = [cell.rjust(width) for cell, width in zip(row[2:], widths[2:], strict=True)]
        yield "  ".join([*named, *numbers])
    yield ""
    yield from result["why"]


_COLUMNS = (
    "setting",
    "",
    "stop min",
    "stops",
    "messages/h",
    "to follow",
    "warnings",
    "needless",
    "missed",
    "late",
    "lead",
)
_FOLLOWED = {"very likely acceptable": "well", "manageable": "just", "too much": "no"}


def _cells(row: Json) -> tuple[str, ...]:
    stops, lead, warnings = row["stop_ms"], row["lead"]["panels"], row["warnings"]
    low, mean, high = (max(0.0, stops[name] / _MINUTE) for name in ("low", "mean", "high"))
    messages = row["messages"]["per_person_hour"]
    return (
        row["name"],
        mark_of(row),
        f"{mean:.1f} ({low:.1f} to {high:.1f})",
        f"{row['stops']['mean']:.1f}",
        "?" if messages is None else f"{messages:.2f}",
        _FOLLOWED[row["messages"]["verdict"]],
        *(str(warnings[name]) for name in ("opened", "needless", "missed", "late")),
        "?" if lead is None else f"{lead['p50']:.0f}",
    )
