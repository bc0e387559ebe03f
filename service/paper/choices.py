"""Settings that were tried, as points: how long stations wait against what is asked of people. Low and left
is best; those that no other beats are joined by a line."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import msgspec
from markupsafe import Markup

from service.domain.said import Said
from service.paper.svg import draw, level, number, picture, short, upright, words
from service.paper.tell import Tell

Json = dict[str, Any]
WIDE = 640
LEFT, RIGHT, TOP, BOTTOM = 56.0, 620.0, 112.0, 368.0
_STEPS = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0)
_MOST_MARKS = 8
_MINUTE = 60_000
_DOT = "M0-4A4 4 0 1 1 0 4A4 4 0 1 1 0-4z"
_SHAPES = {
    "recommended": ("early", "M0-9L9 0L0 9L-9 0z"),
    "recorded": ("stop", "M-5-5H5V5H-5z"),
    "front": ("ok", _DOT),
    "other": ("dot", "M-3-3L3 3M3-3L-3 3"),
}


@dataclass(frozen=True, slots=True)
class _Scale:
    """From 0 to the last mark at or beyond ``most``."""

    begin: float
    end: float
    most: float

    @property
    def step(self) -> float:
        return next((each for each in _STEPS if self.most / each <= _MOST_MARKS), self.most / _MOST_MARKS)

    def marks(self) -> list[float]:
        steps = max(1, int(-(-self.most // self.step)))
        return [round(self.step * each, 6) for each in range(steps + 1)]

    def at(self, value: float) -> float:
        share = min(max(value / self.marks()[-1], 0.0), 1.0)
        return self.begin + share * (self.end - self.begin)


def choices(name: str, result: Json, tell: Tell) -> Markup:
    """``result``: what ``usecases.what_if.table`` gives. Without messages to people there is no picture."""
    rows = [each for each in result["settings"] if each["messages"]["per_person_hour"] is not None]
    if not rows:
        return Markup()
    minutes = [max(0.0, each["stop_ms"]["high"]) / _MINUTE for each in rows]
    x = _Scale(LEFT, RIGHT, max(0.1, *(each["messages"]["per_person_hour"] for each in rows)))
    y = _Scale(BOTTOM, TOP, max(0.1, *minutes))
    title = tell.language.say(
        "Settings that were tried: how long stations wait against messages per person and hour"
    )
    points = sorted(rows, key=lambda each: each["recommended"])
    return picture(
        name,
        title,
        WIDE,
        BOTTOM + 44,
        *_key(rows, tell),
        *_frame(x, y, tell),
        _joined(rows, x, y),
        *(_point(each, x, y, tell) for each in points),
        kind="mid",
    )


def _frame(x: _Scale, y: _Scale, tell: Tell) -> Iterator[Markup]:
    say = tell.language.say
    for value in x.marks():
        yield upright(x.at(value), TOP, BOTTOM, "grid")
        yield words(tell.number(value), x.at(value), BOTTOM + 18, "soft", text_anchor="middle")
    for value in y.marks():
        yield level(LEFT, RIGHT, y.at(value), "grid")
        yield words(tell.number(value), LEFT - 8, y.at(value) + 4, "soft", text_anchor="end")
    yield words(say("messages per person and hour"), RIGHT, BOTTOM + 36, "soft", text_anchor="end")
    yield words(say("minutes that stations wait"), 4, TOP - 14, "soft")


def _key(rows: Sequence[Json], tell: Tell) -> Iterator[Markup]:
    say = tell.language.say
    said = {"recommended": say("recommended"), "recorded": say("as recorded"), "front": say("worth a look")}
    for row, (kind, text) in enumerate([*said.items(), ("other", say("others"))]):
        names = [name_of(each, tell) for each in rows if each["recommended"] and kind == "recommended"]
        yield _sign(kind, 14, 12 + 19 * row)
        yield words(short(": ".join([text, *names]), 80), 30, 16 + 19 * row, "ink")


def _kind(row: Json) -> str:
    found = (name for name in ("recommended", "recorded", "front") if row[name])
    return next(found, "other")


def _place(row: Json, x: _Scale, y: _Scale) -> tuple[float, float]:
    return x.at(row["messages"]["per_person_hour"]), y.at(row["stop_ms"]["mean"] / _MINUTE)


def _sign(kind: str, x: float, y: float, *inside: Markup) -> Markup:
    looks, shape = _SHAPES[kind]
    move = f"translate({number(x)} {number(y)})"
    return draw("path", "line" if kind == "other" else looks, *inside, d=shape, transform=move)


def _point(row: Json, x: _Scale, y: _Scale, tell: Tell) -> Markup:
    """With the interval of its minutes, unless it is one of many that are beaten."""
    left, top = _place(row, x, y)
    low, high = (y.at(row["stop_ms"][name] / _MINUTE) for name in ("low", "high"))
    drawn = _sign(_kind(row), left, top, draw("title", None, _told(row, tell)))
    if _kind(row) == "other":
        return drawn
    return draw("g", None, upright(left, high, low, "whisker"), drawn)


def _told(row: Json, tell: Tell) -> str:
    minutes, messages = tell.minutes(row["stop_ms"]["mean"]), row["messages"]["per_person_hour"]
    return f"{name_of(row, tell)}: {minutes} min, {tell.number(messages)}"


def name_of(row: Json, tell: Tell) -> str:
    return tell.said(msgspec.convert(row["name_said"], Said))


def _joined(rows: Sequence[Json], x: _Scale, y: _Scale) -> Markup:
    places = sorted(_place(each, x, y) for each in rows if each["front"])
    way = "L".join(f"{number(left)} {number(top)}" for left, top in places)
    return draw("path", "axis", d=f"M{way}") if len(places) > 1 else Markup()
