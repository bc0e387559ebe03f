"""A report of ninety minutes of a line with three stations, as far as the page of a moment needs it.

P1 ran out of F07 from 10:40 to 10:46; P2 had work until 10:42 and again from 10:47; P0 was held from 10:41
on. At 10:20 P1 had a fault of a minute that nobody noticed behind it.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from service.domain.model import from_datetime, to_rfc3339
from service.reviewing import Progress

VIENNA = ZoneInfo("Europe/Vienna")


def local(text: str) -> int:
    return from_datetime(datetime.fromisoformat(text).replace(tzinfo=VIENNA))


def moment(clock: str) -> str:
    return to_rfc3339(local(f"2026-02-27T{clock}"))


def piece(since: str, until: str, cause: str | None = None, station: str = "P1", slot: Any = None) -> Any:
    stop = {"station": station, "slot": slot} if cause else {"station": None, "slot": None}
    return {"since": moment(since), "until": moment(until), "cause": cause, **stop}


def stop(station: str, since: str, until: str, cause: str, **more: Any) -> dict[str, Any]:
    return {
        "id": 1,
        "line": "L3",
        "station": station,
        "since": moment(since),
        "until": moment(until),
        "stood_ms": 0,
        "cause": cause,
        "slot": None,
        "part": None,
        "kind": None,
        "confidence": 0.97,
        "blamed": cause in ("supply", "fault"),
        "because_of": None,
        "because": ["the tower said so"],
        "said": [],
    } | more


def warning(slot: str, opened: str, **more: Any) -> dict[str, Any]:
    return {
        "notice": f"n{slot}{opened}",
        "line": "L3",
        "station": "P1",
        "slot": slot,
        "opened": moment(opened),
        "level": "early",
        "worst": "empty",
        "taken_by": "Mira",
        "taken_ms": 75_000,
        "closed": moment("10:46:05"),
        "because": "refilled",
    } | more


def tower(*shown: tuple[str, str, str]) -> list[dict[str, Any]]:
    return [
        {"since": moment(since), "until": moment(until), "reading": reading, "slots": []}
        for since, until, reading in shown
    ]


EVIDENCE = {"text": 'its tower showed "{reading}" for {slot}', "values": {"reading": "out", "slot": "F07"}}


REPORT: dict[str, Any] = {
    "timezone": "Europe/Vienna",
    "from": moment("09:40"),
    "to": moment("11:20"),
    "lines": [
        {
            "line": "L3",
            "stations": ["P0", "P1", "P2"],
            "whole": [
                piece("09:40", "10:42"),
                piece("10:42", "10:47", "supply", slot="F07"),
                piece("10:47", "11:20"),
            ],
            "stretches": {
                "P0": [
                    piece("09:40", "10:41"),
                    piece("10:41", "10:46", "held", "P0"),
                    piece("10:46", "11:20"),
                ],
                "P1": [
                    piece("09:40", "10:20"),
                    piece("10:20", "10:21", "fault"),
                    piece("10:21", "10:40"),
                    piece("10:40", "10:46", "supply", slot="F07"),
                    piece("10:46", "11:20"),
                ],
                "P2": [
                    piece("09:40", "10:42"),
                    piece("10:42", "10:47", "starved", "P2"),
                    piece("10:47", "11:20"),
                ],
            },
            "timeline": {
                "P0": tower(("09:40", "11:20", "running")),
                "P1": tower(
                    ("09:40", "10:31", "running"),
                    ("10:31", "10:40", "low"),
                    ("10:40", "10:46", "out"),
                    ("10:46", "11:20", "running"),
                ),
                "P2": tower(("09:40", "11:20", "running")),
            },
            "orders": [],
        }
    ],
    "stops": [
        stop("P1", "10:20", "10:21", "fault"),
        stop("P1", "10:40", "10:46", "supply", slot="F07", part="R-10K-0402", kind="tape", said=[EVIDENCE]),
        stop("P0", "10:41", "10:46", "held", because_of="P1"),
        stop("P2", "10:42", "10:47", "starved", because_of="P1"),
    ],
    "warnings": {"each": [warning("F07", "09:50"), warning("F07", "10:31"), warning("F08", "10:33")]},
    "moments": [
        {
            "line": "L3",
            "stations": ["P0", "P1", "P2"],
            "slots": [
                {"station": "P1", "slot": "F07", "part": "R-10K-0402"},
                {"station": "P2", "slot": "T2", "part": "MCU-48Q"},
            ],
            "moments": [
                {
                    "at": moment(clock),
                    "out": None,
                    "takt_seconds": 24.0,
                    "end": 120,
                    "lead": 10,
                    "open": 1,
                    "towers": ["running", "low", "running"],
                    "stops": [],
                    "rows": [[0, left, left + 1, left + 3, level, 0.9], [1, 40, 40, 40, "ok", 0.0]],
                }
                for clock, left, level in (
                    ("10:35", 8, "early"),
                    ("10:39", 0, "urgent"),
                    ("10:45", 0, "empty"),
                )
            ],
        }
    ],
}


class Reviewed:
    """``Reviewing`` that has the report of any time, once it was asked ``after`` so many times."""

    def __init__(
        self, report: dict[str, Any] = REPORT, *, after: int = 0, error: Exception | None = None
    ) -> None:
        self.report, self.after, self.error = report, after, error
        self.asked: list[tuple[int, int, str | None]] = []

    def ask(self, since: int, until: int, line: str | None = None) -> Any:
        self.asked.append((since, until, line))
        if self.error is not None:
            raise self.error
        return self.report if len(self.asked) > self.after else Progress(1200)

    def make(self, since: int, until: int, line: str | None = None) -> Any:
        raise NotImplementedError

    def paper(self, since: int, until: int, line: str | None, language: Any) -> bytes:
        return b"%PDF-1.7 made up"
