"""What each station of a line did over a time: one row each, its tower below, warnings above.

What lost time for which a station itself answers is tall and dark, waiting for others is low and pale, work
is a thin grey band. Causes have a hatch or an edge of their own besides, and a sign where there is room.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from markupsafe import Markup

from service.paper import names
from service.paper.axis import TimeAxis
from service.paper.svg import box, draw, number, picture, short, sign, upright, words
from service.paper.tell import Tell

Json = dict[str, Any]
Placed = tuple[float, float, Json]
"""From left to right, and what happened."""
WIDE = 800
LEFT, RIGHT = 96.0, 790.0
_ROW = 58.0
_TALL, _LOW, _THIN, _TOWER = 24.0, 14.0, 6.0, 5.0
MOST_BLOCKS = 1500
_ROOM = 17.0
"""Units that a block needs for its sign."""

HEIGHTS: Mapping[str, float] = {
    "work": _THIN,
    "supply": _TALL,
    "fault": _TALL,
    "exchange": _TALL,
    "unknown": _TALL,
    "changeover": _LOW,
    "held": _LOW,
    "starved": _LOW,
    "unheard": _LOW,
    "no order": 2.0,
    "rest": 2.0,
}
_HATCHES: Mapping[str, tuple[str, str]] = {
    "fault": ("M-2 8L8-2M4 8L8 4M-2 2L2-2", "hatch"),
    "exchange": ("M3-1V7", "hatch-dark"),
    "held": ("M-2-2L8 8M4-2L8 2M-2 4L2 8", "hatch-dark"),
    "starved": ("M2 2h1M5 5h1", "hatch-dark"),
    "unknown": ("M-2 8L8-2M4 8L8 4M-2 2L2-2M-2-2L8 8", "hatch"),
}
"""By cause the lines in a tile of 6 x 6."""
GLYPHS: Mapping[str, tuple[str, str]] = {
    "supply": ("M-4-4H4V4H-4zM-2-2L2 2M2-2L-2 2", "glyph"),
    "fault": ("M1-6L-3 1H1L-1 6", "glyph"),
    "exchange": ("M-2-5H2L5-2V2L2 5H-2L-5 2V-2z", "glyph-dark"),
    "unknown": ("M-3-3a3 3 0 1 1 4.5 2.6Q0 1 0 2M0 4.5v1", "glyph"),
    "held": ("M-4-3.5L0 0L-4 3.5M3-4V4", "glyph-dark"),
    "starved": ("M-4-4V4M4-3.5L0 0L4 3.5", "glyph-dark"),
    "changeover": ("M-5-2H4L2-4M5 2H-4L-2 4", "glyph"),
}
_TOWERS: Mapping[str, tuple[str, float]] = {"out": ("out", 5.0), "fault": ("lamp", 4.0), "low": ("low", 3.0)}


def timeline(name: str, line: Json, report: Json, tell: Tell) -> Markup:
    """``line``: one of the report's; ``name`` begins the ids."""
    stations: Sequence[str] = line["stations"]
    axis = TimeAxis.of(report["from"], report["to"], tell.zone, LEFT, RIGHT)
    top = 30.0
    bottom = top + _ROW * len(stations)
    title = tell.language.say(
        "Line {line}: what its stations did from {since} to {until}",
        line=line["line"],
        since=tell.clock(report["from"]),
        until=tell.clock(report["to"]),
    )
    rows = [
        _row(name, station, line, report, axis, top + _ROW * number_, tell)
        for number_, station in enumerate(stations)
    ]
    return picture(
        name,
        title,
        WIDE,
        bottom + 36,
        draw("defs", None, *_patterns(name)),
        words(short(tell.language.say("Line {line}", line=line["line"]), 13), 4, 16, "strong"),
        axis.drawn(top, bottom, tell.language),
        _orders(line, axis, top, bottom, tell),
        *rows,
    )


def _patterns(name: str) -> Iterator[Markup]:
    for cause in _HATCHES:
        yield _pattern(_hatch(name, cause), cause)


def _pattern(name: str, cause: str) -> Markup:
    lines, kind = _HATCHES[cause]
    tile = draw("path", kind, d=lines)
    return draw("pattern", None, tile, id=name, width=6, height=6, patternUnits="userSpaceOnUse")


def _hatch(name: str, cause: str) -> str:
    return f"{name}-{cause.replace(' ', '-')}"


def _row(name: str, station: str, line: Json, report: Json, axis: TimeAxis, top: float, tell: Tell) -> Markup:
    middle = top + 27
    warned = [
        each
        for each in report["warnings"]["each"]
        if (each["line"], each["station"]) == (line["line"], station)
    ]
    return draw(
        "g",
        None,
        words(short(station, 12), LEFT - 10, middle + 4, "strong", text_anchor="end"),
        _blocks(name, line["stretches"][station], axis, middle, tell),
        _tower(line["timeline"][station], axis, middle + 16),
        *(_warning(each, axis, top + 6, tell) for each in warned),
    )


def _blocks(name: str, stretches: Sequence[Json], axis: TimeAxis, middle: float, tell: Tell) -> Markup:
    """Those of a cause together, in order of time."""
    groups: dict[str, list[Markup]] = defaultdict(list)
    hatched: dict[str, list[str]] = defaultdict(list)
    glyphs: dict[str, list[str]] = defaultdict(list)
    placed = [(axis.x(each["since"]), axis.x(each["until"]), each) for each in stretches]
    for left, right, each in placed if len(placed) <= MOST_BLOCKS else coarse(placed):
        cause = each["cause"] or "work"
        tall = HEIGHTS.get(cause, _TALL)
        groups[cause].append(
            _block(each, left, right, middle, tall, tell)
            if each["cause"] is not None and "since" in each
            else box(left, middle - tall / 2, right - left, tall)
        )
        if cause in _HATCHES and right - left >= 1.5:
            hatched[cause].append(_rectangle(left, right, middle, tall))
        if cause in GLYPHS and right - left >= _ROOM:
            glyphs[cause].append(f"translate({number((left + right) / 2)} {number(middle)})")
    parts = [draw("g", cause.replace(" ", "-"), *groups[cause]) for cause in _painted(groups)]
    parts += [
        draw("path", None, d="".join(places), fill=f"url(#{_hatch(name, cause)})")
        for cause, places in hatched.items()
    ]
    parts += [_glyph(cause, place) for cause, places in glyphs.items() for place in places]
    return Markup("").join(parts)


def coarse(placed: Sequence[Placed]) -> list[Placed]:
    """Of a time so long that most blocks are too narrow to be seen: each unit shows what took most of it."""
    taken: dict[int, dict[str | None, float]] = defaultdict(lambda: defaultdict(float))
    for left, right, each in placed:
        for unit in range(int(left), math.ceil(right)):
            taken[unit][each["cause"]] += max(0.0, min(right, unit + 1) - max(left, unit))
    found: list[Placed] = []
    begin, end = placed[0][0], placed[-1][1]
    for unit, causes in sorted(taken.items()):
        cause = max(causes, key=lambda each: (causes[each], each or ""))
        left, right = max(begin, float(unit)), min(end, unit + 1.0)
        if found and found[-1][2]["cause"] == cause:
            left = found.pop()[0]
        found.append((left, right, {"cause": cause}))
    return found


def _painted(groups: Mapping[str, object]) -> list[str]:
    """What is tall on top of what is low."""
    return sorted(groups, key=lambda cause: (HEIGHTS.get(cause, _TALL), cause))


def _block(each: Json, left: float, right: float, middle: float, tall: float, tell: Tell) -> Markup:
    told = f"{tell.cause(each['cause'])} {tell.seconds(each['since'])} – {tell.seconds(each['until'])}"
    if each["slot"]:
        told = f"{each['slot']}: {told}"
    return draw(
        "rect",
        None,
        draw("title", None, told),
        x=left,
        y=middle - tall / 2,
        width=max(0.0, right - left),
        height=tall,
    )


def _rectangle(left: float, right: float, middle: float, tall: float) -> str:
    top, bottom = number(middle - tall / 2), number(middle + tall / 2)
    return f"M{number(left)} {top}H{number(right)}V{bottom}H{number(left)}z"


def _glyph(cause: str, place: str) -> Markup:
    lines, kind = GLYPHS[cause]
    backed = cause in ("held", "starved", "exchange")
    ground = (draw("circle", "ground", r=7, fill="#ffffff"),) if backed else (draw("circle", cause, r=7),)
    return draw("g", None, *ground, draw("path", kind, d=lines), transform=place)


def _tower(shown: Sequence[Json], axis: TimeAxis, top: float) -> Markup:
    """Only what calls for somebody; a thin line shows where it is heard at all."""
    heard = "".join(
        f"M{number(axis.x(each['since']))} {number(top + 2.5)}H{number(axis.x(each['until']))}"
        for each in shown
        if each["reading"] != "unknown"
    )
    groups: dict[str, list[Markup]] = defaultdict(list)
    for each in shown:
        if each["reading"] in _TOWERS:
            left, right = axis.x(each["since"]), axis.x(each["until"])
            tall = _TOWERS[each["reading"]][1]
            groups[each["reading"]].append(box(left, top + _TOWER - tall, right - left, tall))
    drawn = [draw("g", _TOWERS[reading][0], *boxes) for reading, boxes in sorted(groups.items())]
    return Markup("").join([draw("path", "grid", d=heard or "M0 0"), *drawn])


def _warning(each: Json, axis: TimeAxis, y: float, tell: Tell) -> Markup:
    told = f"{each['slot']}: {tell.clock(each['opened'])} {tell.said(names.LEVELS[each['level']])}"
    return sign(each["level"], axis.x(each["opened"]), y, scale=0.7, title=told)


def _orders(line: Json, axis: TimeAxis, top: float, bottom: float, tell: Tell) -> Markup:
    """Where an order began to run, with its name as far as there is room."""
    parts, free = [], 0.0
    for each in line["orders"]:
        if each["state"] != "running":
            continue
        x = axis.x(each["at"])
        parts.append(upright(x, top - 12, bottom, "planned"))
        named = short(each["order"], 14)
        if x >= free and x + 7 * len(named) <= RIGHT + 8:
            parts.append(words(named, x + 4, top - 6, "soft", font_size=12))
            free = x + 7.5 * len(named) + 8
    return Markup("").join(parts)


def key(causes: Sequence[str], tell: Tell) -> Markup:
    """How to read it: the blocks that were met, by name."""
    rows = [_key_row(cause, tell) for cause in ["work", *causes]]
    rows += [_key_item(said, drawn) for drawn, said in _others(tell)]
    return draw("ul", None, *rows, class_="pic-key")


def _key_row(cause: str, tell: Tell) -> Markup:
    name = _hatch("key", cause)
    tall = HEIGHTS.get(cause, _TALL)
    parts = [draw("g", cause.replace(" ", "-"), box(1, 13 - tall / 2, 34, tall))]
    if cause in _HATCHES:
        parts.insert(0, draw("defs", None, _pattern(name, cause)))
        parts.append(draw("path", None, d=_rectangle(1, 35, 13, tall), fill=f"url(#{name})"))
    if cause in GLYPHS:
        parts.append(_glyph(cause, "translate(18 13)"))
    return _key_item(tell.said(names.STEPS[cause]), *parts)


def _others(tell: Tell) -> Iterator[tuple[Markup, str]]:
    say = tell.language.say
    yield sign("early", 18, 13, scale=0.7), say("early warning")
    yield sign("urgent", 18, 13, scale=0.7), say("urgent warning")
    yield sign("empty", 18, 13, scale=0.7), say("warning of an empty slot")
    yield box(4, 12, 28, 3, "low"), say("tower: a supply runs low")
    yield box(4, 10, 28, 5, "out"), say("tower: a supply is out")
    yield box(4, 11, 28, 4, "lamp"), say("tower: a fault")


def _key_item(said: str, *drawn: Markup) -> Markup:
    svg = draw(
        "svg", None, *drawn, viewBox="0 0 36 26", width=36, height=26, aria_hidden="true", class_="pic"
    )
    return draw("li", None, svg, draw("span", None, said))
