"""The road ahead of a line as it was at a moment: one row for each slot on a scale of panels from then,
soonest on top. ``static/moments.js`` draws the same for every moment, from data that stand in the page.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import msgspec
from markupsafe import Markup

from service.language import english
from service.paper import names
from service.paper.svg import box, draw, number, picture, short, sign, upright, words
from service.paper.tell import Tell

Json = dict[str, Any]
WIDE = 640
HORIZONS = {20: 5, 50: 10, 100: 20, 200: 50, 500: 100, 1000: 200}
"""How far the scale reaches, and the panels between two marks."""
MARGIN, HEAD, ROW = 12.0, 50.0, 42.0
MOST_STOPS = 3
ON_PAPER = 6
"""Rows of a picture that can't be gone through."""
BEFORE = timedelta(minutes=2)


@dataclass(frozen=True, slots=True)
class Scale:
    horizon: int
    wide: float = WIDE

    def x(self, panels: float) -> float:
        share = min(max(panels / self.horizon, 0.0), 1.0)
        return MARGIN + share * (self.wide - 2 * MARGIN)

    def holds(self, panels: float | None) -> bool:
        return panels is not None and panels <= self.horizon


def horizon_of(line: Json) -> int:
    """The nearest that shows twice the lead and, most of the time, the three soonest."""
    leads = [each["lead"] or 10 for each in line["moments"]]
    thirds = sorted(
        each["rows"][min(2, len(each["rows"]) - 1)][3] for each in line["moments"] if each["rows"]
    )
    wanted = max(2 * max(leads, default=10), thirds[len(thirds) // 2] if thirds else 0)
    return next((each for each in HORIZONS if each >= wanted), max(HORIZONS))


def road(name: str, line: Json, moment: Json, tell: Tell, *, most: int | None = None) -> Markup:
    """``line``: one of the report's ``moments``, ``moment`` one of its; ``most`` rows."""
    scale = Scale(horizon_of(line))
    shown = moment["rows"][:most]
    tall = HEAD + ROW * max(1, len(shown)) + 4
    title = tell.language.say(
        "The road ahead of line {line} at {clock}, in panels from then",
        line=line["line"],
        clock=tell.clock(moment["at"]),
    )
    rows = [_row(line, row, moment, HEAD + ROW * at, scale, tell) for at, row in enumerate(shown)]
    return picture(
        name, title, WIDE, tall, _axis(moment, scale, tell), _edges(moment, 36, 44, scale), *rows, kind="mid"
    )


def _axis(moment: Json, scale: Scale, tell: Tell) -> Markup:
    step, parts = HORIZONS[scale.horizon], []
    for panels in range(0, scale.horizon + 1, step):
        anchor = "start" if panels == 0 else "end" if panels == scale.horizon else "middle"
        x = scale.x(panels)
        shown = tell.language.say("now") if panels == 0 else tell.number(panels)
        parts.append(words(shown, x, 14, "strong" if panels == 0 else "ink", text_anchor=anchor))
        clock = _clock(moment, panels, tell)
        if clock:
            parts.append(words(clock, x, 30, "soft", text_anchor=anchor, font_size=12))
        parts.append(upright(x, 36, 44, "axis"))
    return Markup("").join(parts)


def _clock(moment: Json, panels: int, tell: Tell) -> str:
    if panels and moment["takt_seconds"] is None:
        return ""
    at = datetime.fromisoformat(moment["at"]) + timedelta(seconds=panels * (moment["takt_seconds"] or 0.0))
    return tell.clock(at.isoformat())


def _edges(moment: Json, top: float, bottom: float, scale: Scale) -> Markup:
    parts = []
    if scale.holds(moment["lead"]):
        parts.append(upright(scale.x(moment["lead"]), top, bottom, "lead"))
    parts += [upright(scale.x(far), top, bottom, "planned") for far, _ in moment["stops"] if scale.holds(far)]
    if scale.holds(moment["end"]):
        parts.append(upright(scale.x(moment["end"]), top, bottom, "end"))
    parts.append(upright(scale.x(0), top, bottom, "now"))
    return Markup("").join(parts)


def _row(line: Json, row: Sequence[Any], moment: Json, top: float, scale: Scale, tell: Tell) -> Markup:
    place, p05, p50, p95, level, _ = row
    slot, middle = line["slots"][place], top + 30
    shown = tell.said(names.LEVELS["empty"]) if level == "empty" else _numbers(row, moment, tell)
    called = " ".join((slot["station"], slot["slot"]))
    return draw(
        "g",
        None,
        words(short(called, 24), MARGIN + 4, top + 16, "strong"),
        words(
            short(slot["part"] or tell.language.say("part not known"), 30), WIDE / 2 - 60, top + 16, "soft"
        ),
        words(shown, WIDE - MARGIN, top + 16, "ink", text_anchor="end"),
        box(scale.x(0), middle - 5, scale.x(moment["end"] or scale.horizon) - scale.x(0), 10, "way"),
        box(scale.x(0), middle - 5, scale.x(p05) - scale.x(0), 10, "sure" if level == "ok" else level),
        _edges(moment, middle - 12, middle + 12, scale),
        _whisker(p05, p50, p95, middle, scale),
        _mark(p50, level, middle, scale),
        *(
            sign("stop", scale.x(far), middle - 13, scale=0.8)
            for far, places in moment["stops"]
            if place in places and scale.holds(far)
        ),
    )


def _numbers(row: Sequence[Any], moment: Json, tell: Tell) -> str:
    _, p05, p50, p95, _, _ = row
    doubt = f" ({tell.number(p05)}–{tell.number(p95)})" if p05 < p95 else ""
    clock = _clock(moment, p50, tell) if p50 else ""
    return f"{tell.number(p50)}{doubt}" + (f" · {clock}" if clock else "")


def _whisker(p05: int, p50: int, p95: int, middle: float, scale: Scale) -> Markup:
    if p05 >= p95 or p50 > scale.horizon:
        return Markup()
    left, right = number(scale.x(p05)), number(scale.x(p95))
    ends = f"M{left} {number(middle - 5)}v10" + (
        f"M{right} {number(middle - 5)}v10" if scale.holds(p95) else ""
    )
    return draw("path", "whisker", d=f"M{left} {number(middle)}H{right}{ends}")


def _mark(p50: int, level: str, middle: float, scale: Scale) -> Markup:
    if scale.holds(p50):
        return sign(level, scale.x(p50), middle)
    edge = number(WIDE - MARGIN - 12)
    return draw("path", "further", d=f"M{edge} {number(middle - 4)}l5 4l-5 4")


# In a report


def slider(report: Json, tell: Tell) -> Markup:
    """The last moment of the first line, and all that is needed to go through the others."""
    lines = [each for each in report.get("moments", ()) if each["moments"]]
    if not lines:
        return Markup()
    last = road("road", lines[0], lines[0]["moments"][-1], tell)
    data = {
        "lines": [each | {"horizon": horizon_of(each)} for each in lines],
        "steps": {str(horizon): step for horizon, step in HORIZONS.items()},
        "locale": "en-GB" if tell.language.tag == "en" else tell.language.tag,
        "zone": report["timezone"],
        "words": _words(tell),
        "readings": {name: tell.said(said) for name, said in names.READINGS.items()},
        "empty": tell.said(names.LEVELS["empty"]),
    }
    return draw("div", None, last, class_="pic-moments", data_moments=msgspec.json.encode(data).decode())


def _words(tell: Tell) -> dict[str, str]:
    """What the script says, in the report's language."""
    text = tell.language.text
    return {
        "line": text(english("Line")),
        "moment": text(english("Moment")),
        "previous": text(english("Earlier supply out")),
        "next": text(english("Next supply out")),
        "now": text(english("now")),
        "unknown": text(english("part not known")),
        "title": text(english("The road ahead of line {line} at {clock}, in panels from then")),
        "out": text(english("{station}: a supply is out")),
        "tower": text(english("{station}: {reading}")),
        "open": text(english("notices open: {number}")),
        "nothing": text(english("nothing known of any supply")),
    }


def before_stops(report: Json, tell: Tell) -> Iterator[tuple[str, Markup]]:
    """For paper: the road some minutes before the longest stops for want of a supply, with a heading."""
    moments = {each["line"]: each for each in report.get("moments", ())}
    stops = [each for each in report["stops"] if each["cause"] == "supply" and each["line"] in moments]
    for count, stop in enumerate(sorted(stops, key=lambda each: -each["stood_ms"])[:MOST_STOPS], 1):
        line = moments[stop["line"]]
        latest = datetime.fromisoformat(stop["since"]) - BEFORE
        earlier = [each for each in line["moments"] if datetime.fromisoformat(each["at"]) <= latest]
        if earlier:
            heading = tell.language.say(
                "Line {line} at {clock}; at {stop} {station} {slot} ran out",
                line=line["line"],
                clock=tell.clock(earlier[-1]["at"]),
                stop=tell.clock(stop["since"]),
                station=stop["station"],
                slot=stop["slot"] or "",
            )
            yield heading, road(f"road-{count}", line, earlier[-1], tell, most=ON_PAPER)
