"""The pictures of a review: right where they can be worked out by hand, inside their box for any report, and
safe whatever names stand in it."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from itertools import pairwise
from xml.etree.ElementTree import Element
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.track import Cause
from service.language import ENGLISH, speak
from service.paper import timeline as lines
from service.paper.axis import TimeAxis
from service.paper.control import control_chart
from service.paper.leads import leads
from service.paper.pictures import Pictures
from service.paper.road import before_stops, road, slider
from service.paper.tell import Tell
from service.paper.timeline import timeline
from service.paper.waterfall import in_order, waterfall
from tests.support.hostile import HOSTILE
from tests.support.pictured import (
    Json,
    Piece,
    at,
    losses,
    moment,
    of_class,
    parsed,
    report,
    texts,
    warning,
)

TELL = Tell(ENGLISH, ZoneInfo("UTC"))
BERLIN = ZoneInfo("Europe/Berlin")
ROWS = [
    [0, 0, 0, 0, "empty", 1.0],
    [1, 8, 12, 15, "early", 0.3],
    [2, 20, 25, 30, "ok", 0.0],
    [3, 400, 500, 600, "ok", 0.0],
]


def rectangles(root: Element, kind: str) -> list[tuple[float, float]]:
    """Left and width of the blocks of a cause."""
    groups = [each for each in of_class(root, kind) if each.tag == "g"]
    return [(float(r.get("x", "")), float(r.get("width", ""))) for g in groups for r in g.iter("rect")]


def test_a_row_is_divided_as_the_time_was() -> None:
    made = report(stations={"P1": [(0, 50, None), (50, 75, "supply"), (75, 100, "held")]})
    root = parsed(timeline("t", made["lines"][0], made, TELL))
    whole = lines.RIGHT - lines.LEFT
    assert rectangles(root, "work") == [(lines.LEFT, whole / 2)]
    assert rectangles(root, "supply") == [(lines.LEFT + whole / 2, whole / 4)]
    assert rectangles(root, "held") == [(lines.LEFT + whole * 0.75, whole / 4)]
    told = [title.text for title in of_class(root, "supply")[0].iter("title")]
    assert told == ["F01: supply out 06:50:00 – 07:15:00"]
    assert {"06:00", "07:00", "P1", "Line L1", "order L1"} <= set(texts(root))


def test_every_cause_differs_from_the_others_without_colour() -> None:
    looks = {
        cause: (lines.HEIGHTS[cause], lines._HATCHES.get(cause), lines.GLYPHS.get(cause)) for cause in Cause
    }
    for one, other in [(a, b) for a in Cause for b in Cause if a < b]:
        alike = {one, other} == {
            Cause.REST,
            Cause.NO_ORDER,
        }  # nobody meant to work: the same to whoever looks
        assert (looks[one] == looks[other]) == alike, (one, other)


pieces = st.lists(
    st.tuples(st.floats(0.001, 60), st.sampled_from([None, *[cause.value for cause in Cause]])),
    min_size=1,
    max_size=30,
)


def laid_out(drawn: list[tuple[float, str | None]]) -> tuple[float, list[Piece]]:
    begin, found = 0.0, list[Piece]()
    for length, cause in drawn:
        found.append((begin, begin + length, cause))
        begin += length
    return begin, found


@given(pieces, st.lists(st.floats(-10, 2000), max_size=5))
@settings(max_examples=40, deadline=None)
def test_blocks_follow_one_another_without_gap_or_overlap_and_nothing_leaves_the_box(
    drawn: list[tuple[float, str | None]], warned: list[float]
) -> None:
    whole, row = laid_out(drawn)
    made = report(whole, stations={"P1": row}, warnings=[warning(each, 5) for each in warned])
    root = parsed(timeline("t", made["lines"][0], made, TELL))
    causes = {"work", *(cause.value.replace(" ", "-") for cause in Cause)}
    blocks = sorted(block for cause in causes for block in rectangles(root, cause) if block[1] > 0.02)
    assert all(abs(left + wide - after) <= 0.05 for (left, wide), (after, _) in pairwise(blocks))
    if blocks:
        assert abs(sum(wide for _, wide in blocks) - (lines.RIGHT - lines.LEFT)) <= 0.02 * len(row) + 0.05
    inside(root)


def inside(root: Element) -> None:
    """Every rectangle, mark and beginning of a text lies in the picture."""
    svg = next(root.iter("svg"))
    _, _, wide, tall = map(float, svg.get("viewBox", "").split())
    for each in root.iter():
        x, y = float(each.get("x", "0")), float(each.get("y", "0"))
        right, bottom = x + float(each.get("width", "0")), y + float(each.get("height", "0"))
        places = [(x, y), (right, bottom)] if each.tag in ("rect", "text") else []
        moved = re.match(r"translate\(([-\d.]+) ([-\d.]+)\)", each.get("transform", ""))
        places += [(float(moved[1]), float(moved[2]))] if moved else []
        for left, down in places:
            assert -0.01 <= left <= wide + 0.01, each.attrib
            assert -0.01 <= down <= tall + 0.01, each.attrib


@given(
    st.lists(st.tuples(st.integers(0, 2000), st.integers(0, 300), st.integers(0, 300)), max_size=12),
    st.integers(0, 400),
    st.one_of(st.none(), st.integers(0, 400)),
)
@settings(max_examples=40, deadline=None)
def test_any_road_stays_in_its_box(rows: list[tuple[int, int, int]], stop: int, end: int | None) -> None:
    shown = [[n, p05, p05 + a, p05 + a + b, "ok", 0.0] for n, (p05, a, b) in enumerate(rows)]
    made = report(moments=[moment(5, shown, stops=[[stop, [0]]], end=end)])
    line = made["moments"][0]
    inside(parsed(road("r", line, line["moments"][0], TELL)))


@given(st.lists(st.integers(0, 3000), min_size=1, max_size=80), st.integers(1, 200))
@settings(max_examples=40, deadline=None)
def test_any_leads_stay_in_their_box_a_dot_each(given_: list[int], asked: int) -> None:
    made = report(warnings=[warning(1, each, asked_panels=asked) for each in given_])
    root = parsed(leads("l", made, TELL))
    inside(root)
    assert sum(1 for each in root.iter("path") if each.find("title") is not None) == len(given_)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=48), st.lists(st.floats(0, 480), max_size=6))
@settings(max_examples=40, deadline=None)
def test_any_chart_stays_in_its_box(shares: list[float], changes: list[float]) -> None:
    chart = losses(shares, changes=sorted(changes))
    inside(parsed(control_chart("c", chart, report(480), TELL)))


def test_of_a_long_time_each_unit_shows_what_took_most_of_it() -> None:
    """By hand: of every four minutes one is a fault; in the last tenth it is three."""
    row: list[Piece] = [
        (minute, minute + 1, "fault" if minute % 4 == 0 or (minute >= 9000 and minute % 4 < 3) else None)
        for minute in range(10_000)
    ]
    made = report(10_000, stations={"P1": row})
    root = parsed(timeline("t", made["lines"][0], made, TELL))
    whole = lines.RIGHT - lines.LEFT
    ((left, wide),), ((begin, rest),) = rectangles(root, "work"), rectangles(root, "fault")
    assert left == lines.LEFT
    assert wide == pytest.approx(whole * 0.9, abs=1)
    assert begin == left + wide
    assert rest == pytest.approx(whole / 10, abs=1)


def test_points_beyond_the_limits_have_another_shape_and_changes_a_line_with_their_clock() -> None:
    chart = losses([0.01, 0.05, 0.04, 0.0], changes=[10, 30])
    root = parsed(control_chart("c", chart, report(40), TELL))
    shapes = {each.get("d") for kind in ("beyond", "dot") for each in of_class(root, kind)}
    assert (len(of_class(root, "beyond")), len(of_class(root, "dot")), len(shapes)) == (4, 4, 2)
    assert len(of_class(root, "change")) == 2
    assert {"06:10", "06:30"} <= set(texts(root))


def test_a_waterfall_goes_down_from_one_total_to_the_next_the_largest_first() -> None:
    steps = [
        ("time", 1000, True),
        ("rest", 200, False),
        ("planned", 800, True),
        ("exchange", 50, False),
        ("supply", 300, False),
        ("fault", 0, False),
        ("worked", 450, True),
    ]
    named = [{"name": name, "milliseconds": each, "total": total} for name, each, total in steps]
    shown = in_order(named)
    assert [each["name"] for each in shown] == ["time", "rest", "planned", "supply", "exchange", "worked"]
    made = report() | {"lost": {"waterfall": named}}
    root = parsed(waterfall("w", made, TELL))
    bars = [(float(r.get("x", "")) - 4, float(r.get("width", ""))) for r in list(root.iter("rect"))[1::2]]
    scale = 352 / 1000  # by hand: 1000 ms are 352 units, and what goes off hangs from what was left
    wanted = [(0, 1000), (800, 200), (0, 800), (500, 300), (450, 50), (0, 450)]
    assert bars == [pytest.approx((left * scale, wide * scale), abs=0.01) for left, wide in wanted]


def test_the_road_shows_how_far_is_sure_how_far_possible_and_what_is_beyond() -> None:
    made = report(moments=[moment(5, ROWS, stops=[[6, [1]]], end=30)])
    line = made["moments"][0]
    root = parsed(road("r", line, line["moments"][0], TELL))
    assert {"now", "empty", "12 (8–15) · 06:17", "500 (400–600) · 14:25", "P1 F01"} <= set(texts(root))
    assert len(of_class(root, "further")) == 1
    assert len(of_class(root, "stop")) == 1
    assert any(each.get("d") == "M-6-6H6V6H-6zM-3-3L3 3M3-3L-3 3" for each in of_class(root, "empty"))


def test_on_paper_the_road_is_that_before_the_longest_stops_for_a_supply() -> None:
    made = report(moments=[moment(each, ROWS) for each in (0, 5, 10, 15)])
    stop = {"line": "L1", "station": "P1", "slot": "F01", "cause": "supply"}
    made["stops"] = [
        stop | {"since": at(12.5), "stood_ms": 90_000},
        stop | {"since": at(1), "stood_ms": 80_000},  # nothing is known of two minutes before
        stop | {"since": at(16), "stood_ms": 99_000, "cause": "fault"},
    ]
    assert [said for said, _ in before_stops(made, TELL)] == ["Line L1 at 06:10; at 06:12 P1 F01 ran out"]


# Hours. When clocks are put on and back: tz database, Europe/Berlin, 2026-03-29 and 2026-10-25.


def clocks(since: datetime, until: datetime) -> list[str]:
    axis = TimeAxis(since.astimezone(UTC), until.astimezone(UTC), BERLIN, 0.0, 700.0)
    return [f"{mark.local:%H:%M}{' shifted' if mark.shifted else ''}" for mark in axis.marks()]


def test_an_hour_that_comes_twice_is_marked_twice_and_one_left_out_never() -> None:
    autumn = clocks(datetime(2026, 10, 25, 0, tzinfo=BERLIN), datetime(2026, 10, 25, 6, tzinfo=BERLIN))
    hours = ["00:00", "01:00", "02:00", "02:00 shifted", "03:00", "04:00", "05:00", "06:00"]
    assert autumn == hours
    spring = clocks(datetime(2026, 3, 29, 0, tzinfo=BERLIN), datetime(2026, 3, 29, 6, tzinfo=BERLIN))
    assert [each for each in spring if each.endswith(("00", "shifted"))] == [
        "00:00",
        "01:00",
        "03:00 shifted",
        "04:00",
        "05:00",
        "06:00",
    ]


def test_days_of_25_and_23_hours_are_as_long_as_they_are() -> None:
    for month, day, hours in ((10, 25, 25), (3, 29, 23), (6, 1, 24)):
        since, until = (datetime(2026, month, each, tzinfo=BERLIN) for each in (day, day + 1))
        axis = TimeAxis(since.astimezone(UTC), until.astimezone(UTC), BERLIN, 0.0, 100.0 * hours)
        marks = axis.marks()
        assert len(marks) >= hours
        assert axis.x(until.isoformat()) == 100.0 * hours
        noon = next(mark for mark in marks if mark.local.hour == 12)
        assert noon.x == pytest.approx(100.0 * (hours - 12))


# Names


def everything(made: Json, tell: Tell) -> str:
    line = made["moments"][0]
    pictures = Pictures(made, tell)
    drawn = [
        pictures.timeline(made["lines"][0]),
        pictures.key(),
        waterfall("w", made, tell),
        leads("l", made, tell),
        control_chart("c", losses([0.1, 0.0], slot=line["line"]), made, tell),
        road("r", line, line["moments"][0], tell),
        slider(made, tell),
    ]
    return "<div>" + "".join(drawn) + "</div>"


@pytest.mark.parametrize("name", HOSTILE.values(), ids=HOSTILE)
def test_names_are_text_whatever_they_hold(name: str) -> None:
    row: list[Piece] = [(0, 90, None), (90, 100, "supply")]
    made = report(stations={name: row}, warnings=[warning(5, 3, slot=name)], name=name, part=name)
    made["moments"][0]["moments"] = [moment(5, ROWS, towers=[name])]
    for each in made["warnings"]["each"]:
        each |= {"line": name, "station": name}
    drawn = everything(made, Tell(speak("de"), BERLIN))
    root = parsed(drawn)
    tags = {
        "div",
        "svg",
        "title",
        "g",
        "path",
        "rect",
        "text",
        "circle",
        "defs",
        "pattern",
        "ul",
        "li",
        "span",
    }
    assert {each.tag for each in root.iter()} <= tags
    assert not any(
        attribute in ("style", "href", "src") or attribute.startswith("on")
        for each in root.iter()
        for attribute in each.attrib
    )


def test_ids_are_unique_and_what_is_named_by_them_is_there() -> None:
    row: list[Piece] = [(0, 40, None), (40, 70, "fault"), (70, 100, "held")]
    made = report(stations={"P1": row, "P2": row}, moments=[moment(5, ROWS)], warnings=[warning(5, 3)])
    drawn = everything(made, TELL)
    ids = [str(each.get("id")) for each in parsed(drawn).iter() if each.get("id") is not None]
    twice = {each for each in ids if ids.count(each) > 1}
    assert twice == {"road-title"} or not twice
    named = set(re.findall(r"url\(#([^)]+)\)", drawn)) | set(re.findall(r'aria-labelledby="([^"]+)"', drawn))
    assert named <= set(ids)
