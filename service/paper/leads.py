"""How many panels ahead people were warned, against what was asked for: a dot for each warning."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Any

from markupsafe import Markup

from service.paper.svg import DOT, draw, level, number, picture, upright, words
from service.paper.tell import Tell

Json = dict[str, Any]
WIDE = 640
LEFT, RIGHT = 24.0, 616.0
_STEPS = (1, 2, 5, 10, 20, 25, 50, 100, 200, 500, 1000)
_HIGHEST = 200.0
_SHAPES = {
    "dot": DOT,
    "held": DOT,
    "supply": "M-4-4H4V4H-4z",
}
_WIDTH = 8.0
"""Of a column of dots."""


def leads(name: str, report: Json, tell: Tell) -> Markup:
    """Those whose lead is known; stacked where it is the same. Nothing where none is."""
    known = [each for each in report["warnings"]["each"] if each["given_panels"] is not None]
    if not known:
        return Markup()
    asked = sorted({each["asked_panels"] for each in known})
    most = max(1, *(max(each["given_panels"], each["asked_panels"]) for each in known))
    step = next((each for each in _STEPS if most / each <= 12), _STEPS[-1])
    scale = (RIGHT - LEFT) / (-(-most // step) * step)
    columns = _columns(known, scale)
    rise = min(10.0, _HIGHEST / max(len(each) for each in columns.values()))
    bottom = 58 + rise * max(len(each) for each in columns.values())
    title = tell.language.say(
        "Panels ahead at which people were warned, a dot for each of {number}", number=len(known)
    )
    dots = [
        _dot(each, LEFT + column * _WIDTH, bottom - rise * (row + 0.5), tell)
        for column, some in sorted(columns.items())
        for row, each in enumerate(some)
    ]
    return picture(
        name, title, WIDE, bottom + 42, *_frame(asked, step, scale, bottom, tell), *dots, kind="mid"
    )


def _columns(known: Sequence[Json], scale: float) -> dict[int, list[Json]]:
    """By place from left to right, those given less than asked at the bottom."""
    columns: dict[int, list[Json]] = defaultdict(list)
    for each in sorted(known, key=lambda each: (_kind(each) == "dot", each["opened"])):
        columns[round(each["given_panels"] * scale / _WIDTH)].append(each)
    return columns


def _kind(each: Json) -> str:
    if each["verdict"] in ("late", "missed"):
        return "supply"
    return "held" if each["given_panels"] < each["asked_panels"] else "dot"


def _dot(each: Json, x: float, y: float, tell: Tell) -> Markup:
    kind = _kind(each)
    told = tell.language.say(
        "{slot}, {clock}: {given} panels, asked {asked}",
        slot=f"{each['station']} {each['slot']}",
        clock=tell.clock(each["opened"]),
        given=tell.number(each["given_panels"]),
        asked=tell.number(each["asked_panels"]),
    )
    move = f"translate({number(x)} {number(y)})"
    return draw("path", kind, draw("title", None, told), d=_SHAPES[kind], transform=move)


def _frame(asked: Sequence[int], step: int, scale: float, bottom: float, tell: Tell) -> list[Markup]:
    parts = [level(LEFT - 6, RIGHT + 6, bottom, "axis"), *_key(tell)]
    value = 0
    while LEFT + value * scale <= RIGHT + 0.5:
        x = LEFT + value * scale
        parts.append(upright(x, bottom, bottom + 5, "axis"))
        parts.append(words(tell.number(value), x, bottom + 19, "soft", text_anchor="middle"))
        value += step
    parts.append(
        words(
            tell.language.say("panels ahead"), (LEFT + RIGHT) / 2, bottom + 36, "soft", text_anchor="middle"
        )
    )
    parts += [upright(LEFT + each * scale, 42, bottom, "lead") for each in asked]
    at, right = LEFT + asked[0] * scale, asked[0] * scale > (RIGHT - LEFT) * 0.7
    said = tell.language.say("asked for")
    parts.append(words(said, at - 4 if right else at + 4, 38, "strong", text_anchor="end" if right else None))
    return parts


def _key(tell: Tell) -> Iterator[Markup]:
    say = tell.language.say
    said = (("dot", say("as asked")), ("held", say("exchanged before")), ("supply", say("late or missed")))
    x = LEFT
    for kind, text in said:
        yield draw("path", kind, d=_SHAPES[kind], transform=f"translate({number(x)} 10)")
        yield words(text, x + 10, 14, "soft")
        x += 40 + 8 * len(text)
