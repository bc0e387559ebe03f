"""Control charts of a slot's losses: the p-chart with its own limits for each point, the EWMA below it on the
same time. Points beyond have another shape; where the rate changed there is an upright line."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from markupsafe import Markup

from service.paper.axis import TimeAxis
from service.paper.svg import DOT, SIGNS, draw, level, number, picture, upright, words
from service.paper.tell import Tell

Json = dict[str, Any]
WIDE = 800
LEFT, RIGHT = 64.0, 730.0
_TOP, _TALL, _GAP = 40.0, 120.0, 36.0
_ROOM = 44.0
"""What a clock takes."""


def control_chart(name: str, losses: Json, report: Json, tell: Tell) -> Markup:
    """Nothing where there are too few losses for a chart."""
    if losses["p_chart"] is None:
        return Markup()
    axis = TimeAxis.of(report["from"], report["to"], tell.zone, LEFT, RIGHT)
    say, second = tell.language.say, _TOP + _TALL + _GAP
    title = say(
        "Control charts of what {slot} lost: share of picks, and its moving average", slot=losses["slot"]
    )
    bottom = second + _TALL
    return picture(
        name,
        title,
        WIDE,
        bottom + 36,
        axis.drawn(_TOP, bottom, tell.language),
        _panel(losses["p_chart"], "share", say("Lost of what was picked"), axis, _TOP, tell),
        _panel(losses["ewma"], "value", say("Moving average (EWMA)"), axis, second, tell),
        *_changes(losses["changes"], axis, bottom, tell),
    )


@dataclass(frozen=True, slots=True)
class Scale:
    """Shares from 0 at ``bottom`` to ``most`` at ``top``."""

    top: float
    bottom: float
    most: float

    def y(self, share: float) -> float:
        return self.bottom - min(max(share, 0.0), self.most) / self.most * (self.bottom - self.top)


def _panel(chart: Json, value: str, heading: str, axis: TimeAxis, top: float, tell: Tell) -> Markup:
    points = chart["points"]
    most = max((max(each[value], each["upper"]) for each in points), default=0.0) or 1.0
    scale = Scale(top, top + _TALL, most * 1.08)
    middles = [(axis.x(each["from"]) + axis.x(each["to"])) / 2 for each in points]
    places = [(x, scale.y(each[value])) for x, each in zip(middles, points, strict=True)]
    return draw(
        "g",
        None,
        words(heading, LEFT, top - (22 if top == _TOP else 8), "strong", font_size=12),
        draw("path", "limits", d=_limits(points, axis, scale)),
        level(LEFT, RIGHT, scale.y(chart["center"]), "axis"),
        words(
            tell.percent(chart["center"], 2), RIGHT + 8, scale.y(chart["center"]) + 4, "soft", font_size=12
        ),
        words(tell.percent(most, 2), LEFT - 8, scale.y(most) + 5, "soft", text_anchor="end", font_size=12),
        words(tell.percent(0.0), LEFT - 8, scale.bottom - 3, "soft", text_anchor="end", font_size=12),
        _way(places),
        *(_point(each, value, *place, tell) for each, place in zip(points, places, strict=True)),
    )


def _limits(points: Sequence[Json], axis: TimeAxis, scale: Scale) -> str:
    """The band between the limits, a step for each point."""
    edges = [axis.x(each["from"]) for each in points] + [axis.x(points[-1]["to"])] if points else []
    above = [
        f"{number(left)} {number(scale.y(each['upper']))}H{number(right)}"
        for each, (left, right) in zip(points, pairwise(edges), strict=True)
    ]
    below = [
        f"{number(right)} {number(scale.y(each['lower']))}H{number(left)}"
        for each, (left, right) in zip(points, pairwise(edges), strict=True)
    ]
    return "M" + "L".join([*above, *reversed(below)]) + "z" if points else "M0 0"


def _way(places: Sequence[tuple[float, float]]) -> Markup:
    d = "L".join(f"{number(x)} {number(y)}" for x, y in places)
    return draw("path", "axis", d=f"M{d}") if d else Markup()


def _point(each: Json, value: str, x: float, y: float, tell: Tell) -> Markup:
    told = f"{tell.clock(each['from'])} – {tell.clock(each['to'])}: {tell.percent(each[value], 2)}"
    shape, kind = (SIGNS["early"], "beyond") if each["beyond"] else (DOT, "dot")
    move = f"translate({number(x)} {number(y)})"
    return draw("path", kind, draw("title", None, told), d=shape, transform=move)


def _changes(changes: Sequence[Json], axis: TimeAxis, bottom: float, tell: Tell) -> Iterator[Markup]:
    """Each with its clock, to the left of the line where the next is near, as far as there is room."""
    places = [*(axis.x(each["at"]) for each in changes), RIGHT + _ROOM]
    free = LEFT - _ROOM
    for each, (x, after) in zip(changes, pairwise(places), strict=True):
        yield upright(x, _TOP - 8, bottom, "change")
        turned = after - x < _ROOM or x > RIGHT - _ROOM
        begins = x - _ROOM if turned else x
        if begins >= free:
            where: tuple[float, str] = (x - 4, "end") if turned else (x + 4, "start")
            yield words(
                tell.clock(each["at"]), where[0], _TOP - 2, "strong", font_size=12, text_anchor=where[1]
            )
            free = x if turned else x + _ROOM
