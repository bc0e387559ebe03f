"""The sentences that open a report, each from figures that can be added up by hand."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

from service.domain.said import put
from service.usecases.summed_up import sentences, stood_ms

MINUTE = 60_000
VERDICTS = {"in time": 0, "late": 0, "missed": 0, "needless": 0, "apart": 0, "open": 0, "not judged": 0}


def line(name: str, **minutes: float) -> dict[str, Any]:
    causes = {cause.replace("_", " "): round(each * MINUTE) for cause, each in minutes.items()}
    return {"line": name, "times": {"line": {"causes": causes}, "stations": {}}}


def slot(
    name: str, part: str | None, *, out: float = 0, exchanged: float = 0, stops: int = 1
) -> dict[str, Any]:
    ms = {"out_ms": round(out * MINUTE), "exchanged_ms": round(exchanged * MINUTE)}
    return {
        "line": "L3",
        "station": "P1",
        "slot": name,
        "part": part,
        "stops": stops,
        "lost_ms": sum(ms.values()),
    } | ms


def report(*lines: Any, slots: Any = (), **parts: Any) -> dict[str, Any]:
    taken = {"taken": 0, "nobody": 0, "waiting": 0, "median_ms": None}
    return {
        "lines": list(lines),
        "lost": {"whole_ms": 1, "by_slot": list(slots)},
        "warnings": {"number": 0, "verdicts": VERDICTS, "taken": taken},
        "losses": [],
        "plan": [],
        "settings": {"changed": []},
    } | parts


def said(found: dict[str, Any]) -> list[str]:
    return [put(each, ZoneInfo("Europe/Vienna")) for each in sentences(found)]


def test_one_line_is_told_with_what_it_stood_for_the_longest_first() -> None:
    """42 of 480 minutes: 18 + 14 + 10; rest and times without an order aren't standing."""
    l3 = line("L3", work=400, fault=14, supply=18, changeover=10, rest=30, no_order=8)
    assert stood_ms(l3) == 42 * MINUTE
    assert said(report(l3))[0] == (
        "Line L3 stood 42 min of 8 h: supply out 18 min; fault 14 min; changeover 10 min."
    )
    calm = line("L3", work=479.5, fault=0.5)
    worked = "Line L3 worked on: of the 8 h that are known less than a minute was lost."
    assert said(report(calm))[0] == worked


def test_several_lines_are_told_by_how_long_each_stood_and_why_together() -> None:
    found = said(report(line("L1", work=470, fault=10), line("L2", work=450, fault=12, supply=18)))
    assert found[0] == "Of 8 h each the lines stood: L2 30 min; L1 10 min."
    assert found[1] == "Together they stood for: fault 22 min; supply out 18 min."


def test_what_supplies_cost_is_told_with_the_worst_slots() -> None:
    worst = [
        slot("F07", "R-10K-0402", out=9),
        slot("T2", "MCU-48Q", exchanged=6, stops=4),
        slot("F01", None, out=1),
    ]
    assert said(report(line("L3", work=480), slots=worst))[1] == (
        "Supplies cost 16 min (10 min ran out, 6 min exchanged in time), most: L3 P1 F07 (R-10K-0402) 9 min;"
        " L3 P1 T2 (MCU-48Q) 6 min in 4 stops; L3 P1 F01 (?) 1 min."
    )
    assert said(report(line("L3", work=480)))[1] == "Supplies cost the lines no time."
    assert said(report(line("L3", work=480), slots=[slot("T2", "MCU-48Q", exchanged=6)]))[1].startswith(
        "No line stood for want of a supply; exchanges in time cost 6 min"
    )


def test_warnings_are_told_with_how_fast_they_were_taken() -> None:
    assert said(report(line("L3", work=480)))[2] == "Nobody was warned of anything."
    warnings = {
        "number": 12,
        "verdicts": VERDICTS | {"in time": 9, "late": 1, "missed": 1, "needless": 1},
        "taken": {"taken": 10, "nobody": 2, "waiting": 0, "median_ms": 45_000},
    }
    assert said(report(line("L3", work=480), warnings=warnings))[2] == (
        "12 warnings (in time: 9, late: 1, missed: 1, for nothing: 1)."
        " Half of those that were taken were within 45 s; 2 were over before anybody took them."
    )


def test_losses_plans_silences_and_changed_settings_follow_where_there_are_any() -> None:
    silent = line("L3", work=480)
    silent["times"]["stations"] = {"P2": {"unheard_ms": 7 * MINUTE}, "P1": {"unheard_ms": 0}}
    loss = {
        "line": "L3",
        "station": "P1",
        "said": {"text": "F07 lost {times} times what is normal", "values": {"times": 4}},
    }
    kept = {"in it": 5, "earlier": 1, "later": 2, "never": 0, "ahead": 3, "dropped": 1}
    found = said(
        report(
            silent,
            losses=[loss, loss, {"said": None}],
            plan=[{"kept": kept}],
            settings={"changed": ["2026-03-02T09:15:00.000Z"]},
        )
    )
    assert found[3:] == [
        "L3 P1: F07 lost 4 times what is normal.",
        "One more slot lost more than it should.",
        "8 exchanges were planned (made in their stop: 5, before it: 1, after it: 2, never: 0).",
        "Nothing was heard of L3 P2 for 7 min: what it did then isn't known.",
        "The settings changed at 10:15.",
    ]
