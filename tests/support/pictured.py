"""A report as far as its pictures need it, made by hand: minutes after 06:00 UTC stand for moments."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any
from xml.etree import ElementTree as ET

Json = dict[str, Any]
START = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
Piece = tuple[float, float, str | None]


def at(minutes: float) -> str:
    moment = START + timedelta(minutes=minutes)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def stretch(piece: Piece, slot: str | None = "F01") -> Json:
    since, until, cause = piece
    stopped = slot if cause in ("supply", "exchange") else None
    return {"since": at(since), "until": at(until), "cause": cause, "station": "P1", "slot": stopped}


def warning(opened: float, given: int | None, **more: Any) -> Json:
    return {
        "line": "L1",
        "station": "P1",
        "slot": "F01",
        "level": "early",
        "opened": at(opened),
        "asked_panels": 10,
        "given_panels": given,
        "until": "empty",
        "verdict": "in time",
    } | more


def moment(minutes: float, rows: Sequence[Sequence[Any]], **more: Any) -> Json:
    return {
        "at": at(minutes),
        "out": None,
        "takt_seconds": 60.0,
        "end": None,
        "lead": 10,
        "open": 0,
        "towers": ["running"],
        "stops": [],
        "rows": [list(row) for row in rows],
    } | more


def losses(shares: Sequence[float], *, changes: Sequence[float] = (), slot: str = "F01") -> Json:
    """Groups of ten minutes, around 1 %; 2 % is beyond."""
    spans = [{"from": at(10 * n), "to": at(10 * n + 10)} for n in range(len(shares))]
    points = [
        span | {"lower": 0.0, "upper": 0.02, "beyond": share > 0.02}
        for span, share in zip(spans, shares, strict=True)
    ]
    return {
        "slot": slot,
        "p_chart": {
            "center": 0.01,
            "points": [p | {"share": s} for p, s in zip(points, shares, strict=True)],
        },
        "ewma": {"center": 0.01, "points": [p | {"value": s} for p, s in zip(points, shares, strict=True)]},
        "changes": [{"at": at(minutes)} for minutes in changes],
    }


def report(
    minutes: float = 100.0,
    *,
    stations: dict[str, Sequence[Piece]] | None = None,
    warnings: Sequence[Json] = (),
    moments: Sequence[Json] = (),
    name: str = "L1",
    part: str | None = "RES-10K",
    zone: str = "UTC",
) -> Json:
    rows = {"P1": [(0.0, minutes, None)]} if stations is None else stations
    heard = [{"since": at(0), "until": at(minutes), "reading": "running", "slots": []}]
    line = {
        "line": name,
        "stations": list(rows),
        "timeline": dict.fromkeys(rows, heard),
        "stretches": {station: [stretch(piece) for piece in some] for station, some in rows.items()},
        "orders": [{"at": at(0), "order": f"order {name}", "state": "running"}],
    }
    slots = [{"station": "P1", "slot": f"F{number:02}", "part": part} for number in range(12)]
    return {
        "timezone": zone,
        "from": at(0),
        "to": at(minutes),
        "lines": [line],
        "stops": [],
        "lost": {"waterfall": []},
        "warnings": {"each": list(warnings)},
        "moments": [{"line": name, "stations": ["P1"], "slots": slots, "moments": list(moments)}],
    }


def parsed(drawn: str) -> ET.Element:
    """Raises where it isn't well-formed. The names of entities are none in XML, so none may be used."""
    return ET.fromstring(drawn)


def of_class(root: ET.Element, kind: str) -> list[ET.Element]:
    return [each for each in root.iter() if each.get("class") == f"pic-{kind}"]


def texts(root: ET.Element) -> list[str]:
    return [str(each.text) for each in root.iter("text")]
