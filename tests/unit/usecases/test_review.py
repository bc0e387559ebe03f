"""The report of a recorded time: whole, consistent in itself, and the same each time."""

from __future__ import annotations

import json
from itertools import pairwise
from typing import Any

import msgspec
import pytest

from service.domain.model import SECOND
from service.usecases.review import NothingThere, review
from tests.support.reports import made_report
from tests.support.story import START
from tests.support.taped import taped

Json = dict[str, Any]


def test_the_same_recording_gives_the_same_bytes() -> None:
    once, again = (msgspec.json.encode(review(taped())) for _ in range(2))
    assert once == again == msgspec.json.encode(made_report())


def test_a_report_is_plain_json_with_these_parts() -> None:
    report = made_report()
    assert json.loads(json.dumps(report)) == report
    assert set(report) >= {
        "format", "site", "timezone", "from", "to", "recording", "settings", "summary", "lines", "stops",
        "lost", "warnings", "losses", "forecast", "plan", "hours",
    }  # fmt: skip


def test_what_a_station_did_adds_up_to_the_time_and_so_do_its_causes() -> None:
    """To the millisecond: ISO 22400-2 and SEMI E10 divide wall time, they don't lose any."""
    (line,) = made_report()["lines"]
    wall = line["times"]["line"]["wall_ms"]
    for name in line["stations"]:
        pieces = line["stretches"][name]
        assert (pieces[0]["since"], pieces[-1]["until"]) == (made_report()["from"], made_report()["to"])
        assert all(one["until"] == other["since"] for one, other in pairwise(pieces))
        times = line["times"]["stations"][name]
        assert sum(times["causes"].values()) == times["wall_ms"] == wall
        assert sum(each["time_ms"] for each in times["e10"]["states"]) == wall


def test_what_was_lost_is_what_the_lines_did_not_work() -> None:
    lost, (line,) = made_report()["lost"], made_report()["lines"]
    whole = line["times"]["line"]
    assert lost["whole_ms"] == whole["wall_ms"]
    assert lost["worked_ms"] + sum(each["lost_ms"] for each in lost["by_cause"]) == lost["whole_ms"]
    supplies = sum(each["lost_ms"] for each in lost["by_cause"] if each["cause"] in ("supply", "exchange"))
    assert sum(each["lost_ms"] for each in lost["by_slot"]) == supplies
    assert sum(each["lost_ms"] for each in lost["by_part"]) == supplies
    assert sum(each["lost_ms"] for each in lost["by_kind"]) == supplies


def test_every_warning_has_one_verdict_and_those_taken_are_among_them() -> None:
    warnings = made_report()["warnings"]
    assert sum(warnings["verdicts"].values()) == warnings["number"] == len(warnings["each"])
    took = warnings["taken"]
    assert took["taken"] + took["nobody"] + took["waiting"] == warnings["number"]
    assert sum(each["taken"] for each in took["by"]) == took["taken"]


def test_warnings_and_track_record_speak_of_the_same() -> None:
    """What became known of warnings in the time is what the record noted of them."""
    warnings, record = made_report()["warnings"], made_report()["forecast"]["all"]
    judged = [each for each in warnings["each"] if each["late"] is not None]
    assert len(judged) == record["warnings"]
    assert sum(each["late"] for each in judged) == pytest.approx(record["late"], abs=1e-4)


def test_a_part_of_the_time_is_reviewed_with_what_was_known_before() -> None:
    since, until = START + 1200 * SECOND, START + 2400 * SECOND
    report = review(taped(), since=since, until=until)
    assert (report["from"], report["to"]) == ("2026-03-02T06:20:00.000Z", "2026-03-02T06:40:00.000Z")
    (line,) = report["lines"]
    assert line["times"]["line"]["wall_ms"] == 1_200_000
    assert line["timeline"]["P1"][0]["reading"] is not None, "what the tower showed before still held"


def test_a_line_that_is_not_there_and_a_time_without_entries_are_said() -> None:
    with pytest.raises(NothingThere, match="no line 'L9' in that time; there are L3"):
        review(taped(), line="L9")
    with pytest.raises(NothingThere, match="no entry in that time"):
        review(taped(), since=START + 86_400 * SECOND)
    assert review(taped(), line="L3")["lines"] == made_report()["lines"]
