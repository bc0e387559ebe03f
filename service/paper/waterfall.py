"""Where the lines' time went: from all of it down to what they worked, cause by cause, the largest first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from markupsafe import Markup

from service.paper import names
from service.paper.svg import box, draw, picture, short, words
from service.paper.tell import Tell

Json = dict[str, Any]
WIDE = 360
LEFT, RIGHT = 4.0, 356.0
_ROW, _TALL = 40.0, 14.0


def waterfall(name: str, report: Json, tell: Tell) -> Markup:
    steps = in_order(report["lost"]["waterfall"])
    whole = max((each["milliseconds"] for each in steps), default=0)
    title = tell.language.say("Where the time of the lines went, cause by cause")
    rows = [_step(each, at, 6 + _ROW * row, whole, tell) for row, (each, at) in enumerate(_placed(steps))]
    return picture(name, title, WIDE, 12 + _ROW * len(steps), *rows, kind="small")


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
    left, wide = LEFT + begins * scale, max(each["milliseconds"] * scale, 1.5)
    kind = "sure" if each["total"] else each["name"].replace(" ", "-")
    said = tell.said(names.STEPS[each["name"]]) if each["name"] in names.STEPS else each["name"]
    share = f" · {tell.percent(each['milliseconds'] / whole)}" if whole else ""
    shown = ("" if each["total"] else "−") + tell.lasted(each["milliseconds"]) + share
    looks = "strong" if each["total"] else "ink"
    return draw(
        "g",
        None,
        words(short(said, _room(shown)), LEFT, top + 13, looks),
        words(shown, RIGHT, top + 13, looks, text_anchor="end"),
        box(LEFT, top + 18, RIGHT - LEFT, _TALL, "way"),
        box(min(left, RIGHT - wide), top + 18, wide, _TALL, kind),
    )


def _room(beside: str) -> int:
    """Characters that a name may have beside a value."""
    return int((RIGHT - LEFT) / 7.4) - len(beside)
