"""Where the lines' time went: from all of it down to what they worked, cause by cause, the largest first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from markupsafe import Markup

from service.paper import names
from service.paper.svg import box, draw, number, picture, short, words
from service.paper.tell import Tell

Json = dict[str, Any]
WIDE = 640
LEFT, RIGHT = 236.0, 486.0
_ROW, _TALL = 30.0, 20.0


def waterfall(name: str, report: Json, tell: Tell) -> Markup:
    steps = in_order(report["lost"]["waterfall"])
    whole = max((each["milliseconds"] for each in steps), default=0)
    title = tell.language.say("Where the time of the lines went, cause by cause")
    rows = [_step(each, at, 6 + _ROW * row, whole, tell) for row, (each, at) in enumerate(_placed(steps))]
    tall = 12 + _ROW * len(steps)
    return picture(
        name,
        title,
        WIDE,
        tall,
        draw("path", "axis", d=f"M{number(LEFT)} 2V{number(tall - 4)}"),
        *rows,
        kind="mid",
    )


def in_order(steps: Sequence[Json]) -> list[Json]:
    """The largest first between two totals; what is nothing, and a total like the one before, is left out."""
    shown: list[Json] = []
    loose: list[Json] = []
    for each in steps:
        if not each["total"]:
            loose.append(each)
            continue
        shown += sorted(filter(_is_something, loose), key=lambda step: -step["milliseconds"])
        loose = []
        if not (shown and shown[-1]["total"] and shown[-1]["milliseconds"] == each["milliseconds"]):
            shown.append(each)
    return shown


def _is_something(step: Json) -> bool:
    return bool(step["milliseconds"])


def _placed(steps: Sequence[Json]) -> Iterator[tuple[Json, int]]:
    """Each with where it begins: what goes off hangs from what was there before."""
    level = 0
    for each in steps:
        if each["total"]:
            level = each["milliseconds"]
            yield each, 0
        else:
            level -= each["milliseconds"]
            yield each, level


def _step(each: Json, begins: int, top: float, whole: int, tell: Tell) -> Markup:
    scale = (RIGHT - LEFT) / whole if whole else 0.0
    left, right = LEFT + begins * scale, LEFT + (begins + each["milliseconds"]) * scale
    kind = "sure" if each["total"] else each["name"].replace(" ", "-")
    said = tell.said(names.STEPS[each["name"]]) if each["name"] in names.STEPS else each["name"]
    share = f" · {tell.percent(each['milliseconds'] / whole)}" if whole else ""
    shown = ("" if each["total"] else "−") + tell.lasted(each["milliseconds"]) + share
    middle = top + _TALL / 2
    return draw(
        "g",
        None,
        words(
            short(said, 31), LEFT - 10, middle + 4, "strong" if each["total"] else "ink", text_anchor="end"
        ),
        box(left, top, max(right - left, 1.5), _TALL, kind),
        words(shown, max(right, left + 1.5) + 8, middle + 4, "ink"),
    )
