"""A report as sheets for a spreadsheet: RFC 4180, UTF-8, a head, numbers plain, nothing known left empty.

Lengths are seconds with three places, moments RFC 3339 in UTC, as in the JSON.
"""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Iterator
from io import StringIO
from typing import Any

from service.paper.cells import cell

Json = dict[str, Any]
Rows = Iterator[tuple[object, ...]]


def sheets(report: Json) -> dict[str, bytes]:
    """By name of the file."""
    return {name: _sheet(rows(report)) for name, rows in SHEETS.items()}


def sheet(report: Json, name: str) -> bytes:
    """One of them. Raises ``KeyError``."""
    return _sheet(SHEETS[name](report))


def _stops(report: Json) -> Rows:
    yield (
        "line", "station", "since", "until", "stood_s", "cause", "slot", "part", "kind", "confidence",
        "blamed", "because_of", "because",
    )  # fmt: skip
    for each in report["stops"]:
        yield (
            *_of(each, "line", "station", "since", "until"),
            _seconds(each["stood_ms"]),
            *_of(each, "cause", "slot", "part", "kind", "confidence", "blamed", "because_of"),
            " ".join(each["because"]),
        )


def _lost(report: Json) -> Rows:
    yield "line", "station", "slot", "part", "kind", "stops", "lost_s", "ran_out_s", "exchanged_s"
    for each in report["lost"]["by_slot"]:
        yield (
            *_of(each, "line", "station", "slot", "part", "kind", "stops"),
            *map(_seconds, _of(each, "lost_ms", "out_ms", "exchanged_ms")),
        )


_E10 = ("productive", "standby", "engineering", "scheduled_downtime", "unscheduled_downtime", "non_scheduled")
_ISO = ("pbt", "aubt", "aupt", "apt", "aust", "adet", "adot", "outside", "aoet")
_KPIS = (
    "availability",
    "effectiveness",
    "quality_ratio",
    "oee",
    "oee_without_quality",
    "utilisation_efficiency",
    "allocation_efficiency",
    "allocation_ratio",
    "technical_efficiency",
    "production_process_ratio",
    "setup_ratio",
    "throughput_per_hour",
)


def _times(report: Json) -> Rows:
    """A row for each station, and one without a station for the line."""
    yield (
        "line", "station", "wall_s", "unheard_s", *(f"{name}_s" for name in _E10),
        *(f"{name}_s" for name in _ISO), "panels", *_KPIS, "failures", "mtbf_s", "mttr_s",
    )  # fmt: skip
    for line in report["lines"]:
        for station, times in ((None, line["times"]["line"]), *line["times"]["stations"].items()):
            if times is None:
                continue
            yield (
                line["line"],
                station,
                *map(_seconds, _of(times, "wall_ms", "unheard_ms")),
                *(_seconds(times["e10"][f"{name}_ms"]) for name in _E10),
                *(_seconds(times["iso"][f"{name}_ms"]) for name in _ISO),
                times["iso"]["pq"],
                *_of(times["kpis"], *_KPIS),
                times["failures"]["number"],
                *map(_seconds, _of(times["failures"], "mtbf_ms", "mttr_ms")),
            )


def _warnings(report: Json) -> Rows:
    plain = ("notice", "line", "station", "slot", "part", "kind", "level", "worst", "opened", "asked_panels")
    more = ("until", "verdict", "late", "taken_by")
    yield (
        *plain, "asked_minutes", "given_panels", "given_s", *more, "taken_s", "closed", "because",
    )  # fmt: skip
    for each in report["warnings"]["each"]:
        yield (
            *_of(each, *plain, "asked_minutes", "given_panels"),
            _seconds(each["given_ms"]),
            *_of(each, *more),
            _seconds(each["taken_ms"]),
            *_of(each, "closed", "because"),
        )


def _losses(report: Json) -> Rows:
    plain = ("line", "station", "slot", "part", "kind", "picks", "lost", "share")
    yield *plain, "normal_share", "normal_from", "beyond_normal", "changes", "sentence"
    for each in report["losses"]:
        yield (
            *_of(each, *plain),
            *_of(each["normal"], "share", "from"),
            each["excess"],
            len(each["changes"]),
            each["sentence"],
        )


SHEETS: dict[str, Callable[[Json], Rows]] = {
    "stops.csv": _stops,
    "lost.csv": _lost,
    "times.csv": _times,
    "warnings.csv": _warnings,
    "losses.csv": _losses,
}


def _of(each: Json, *names: str) -> list[Any]:
    return [each[name] for name in names]


def _seconds(milliseconds: int | None) -> float | None:
    return None if milliseconds is None else milliseconds / 1000


def _sheet(rows: Iterable[tuple[object, ...]]) -> bytes:
    into = StringIO()
    writer = csv.writer(into, lineterminator="\r\n")
    for row in rows:
        writer.writerow([cell(each) for each in row])
    return into.getvalue().encode()
