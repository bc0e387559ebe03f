"""Pieces of a picture as SVG text that is safe wherever it stands: names of parts and people are text, looks
are classes.

``pictures.css`` colours the classes on screens. Programs that lay out paper don't let a page's stylesheet
into its pictures, so each class brings its looks on white paper along as attributes, which any stylesheet
overrules.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from markupsafe import Markup, escape

Value = str | float | None
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
INK, SOFT, EDGE, STRONG = "#14191d", "#49525b", "#c4cad0", "#6b757f"
SURE, WAY, PAPER = "#6a757f", "#e6e9ec", "#ffffff"
EARLY, EARLY_EDGE, URGENT, EMPTY = "#ffcf5c", "#8a6000", "#c2410c", "#94102a"
FONT = "system-ui, 'Liberation Sans', 'DejaVu Sans', sans-serif"
_LINE: Mapping[str, Value] = {"fill": "none", "stroke": INK, "stroke_width": 1.5}

LOOKS: Mapping[str, Mapping[str, Value]] = {
    "ink": {"fill": INK},
    "soft": {"fill": SOFT},
    "strong": {"fill": INK, "font_weight": 700},
    "grid": {"fill": "none", "stroke": EDGE, "stroke_width": 1},
    "axis": {"fill": "none", "stroke": STRONG, "stroke_width": 1.5},
    "line": _LINE,
    "way": {"fill": WAY},
    "sure": {"fill": SURE},
    "work": {"fill": "#8b949d"},
    "supply": {"fill": EMPTY},
    "fault": {"fill": URGENT},
    "exchange": {"fill": EARLY, "stroke": EARLY_EDGE, "stroke_width": 1},
    "changeover": {"fill": STRONG},
    "held": {"fill": PAPER, "stroke": STRONG, "stroke_width": 1},
    "starved": {"fill": PAPER, "stroke": STRONG, "stroke_width": 1},
    "no-order": {"fill": WAY},
    "rest": {"fill": WAY},
    "unheard": {"fill": PAPER, "stroke": STRONG, "stroke_width": 1, "stroke_dasharray": "3 2"},
    "unknown": {"fill": INK},
    "hatch": {"fill": "none", "stroke": PAPER, "stroke_width": 1.5},
    "hatch-dark": {"fill": "none", "stroke": STRONG, "stroke_width": 1},
    "glyph": {"fill": "none", "stroke": PAPER, "stroke_width": 1.75},
    "glyph-dark": {"fill": "none", "stroke": INK, "stroke_width": 1.75},
    "out": {"fill": EMPTY},
    "low": {"fill": EARLY, "stroke": EARLY_EDGE, "stroke_width": 0.75},
    "lamp": {"fill": PAPER, "stroke": URGENT, "stroke_width": 1.25},
    "ok": {"fill": INK, "stroke": PAPER, "stroke_width": 1},
    "early": {"fill": EARLY, "stroke": INK, "stroke_width": 1.5},
    "urgent": {"fill": URGENT, "stroke": PAPER, "stroke_width": 1},
    "empty": {"fill": PAPER, "stroke": EMPTY, "stroke_width": 2},
    "stop": {"fill": PAPER, "stroke": INK, "stroke_width": 1.75},
    "lead": {"fill": "none", "stroke": STRONG, "stroke_width": 1.5, "stroke_dasharray": "3 4"},
    "planned": {"fill": "none", "stroke": INK, "stroke_width": 1.5, "stroke_dasharray": "8 4"},
    "end": {"fill": "none", "stroke": INK, "stroke_width": 3},
    "now": {"fill": "none", "stroke": INK, "stroke_width": 2.5},
    "whisker": {"fill": "none", "stroke": INK, "stroke_width": 2},
    "further": {"fill": "none", "stroke": PAPER, "stroke_width": 2.5},
    "change": {"fill": "none", "stroke": INK, "stroke_width": 1.5, "stroke_dasharray": "6 3"},
    "limits": {"fill": WAY, "stroke": STRONG, "stroke_width": 1},
    "dot": {"fill": SURE},
    "beyond": {"fill": EMPTY, "stroke": EMPTY, "stroke_width": 1},
}
"""By class (without its ``pic-``) what it looks like on paper; colour is never all that tells two apart."""

SIGNS: Mapping[str, str] = {
    "ok": "M0-4.5A4.5 4.5 0 1 1 0 4.5A4.5 4.5 0 1 1 0-4.5z",
    "early": "M0-6.5L6.5 0L0 6.5L-6.5 0z",
    "urgent": "M-7-5.5H7L0 7z",
    "empty": "M-6-6H6V6H-6zM-3-3L3 3M3-3L-3 3",
    "stop": "M-3-7H3L7-3V3L3 7H-3L-7 3V-3z",
}
"""Each level's own shape, as on the live page, around 0, 0."""
DOT = "M0-3.5A3.5 3.5 0 1 1 0 3.5A3.5 3.5 0 1 1 0-3.5z"


def draw(tag: str, kind: str | None = None, *inside: Markup | str, **attributes: Value) -> Markup:
    """``<tag class="pic-kind" …>inside</tag>``. Plain text inside is escaped; ``stroke_width`` is written
    ``stroke-width``; an attribute that is ``None`` is left out."""
    looks = {} if kind is None else {"class_": f"pic-{kind}", **LOOKS.get(kind, {})}
    written = "".join(
        f' {name.rstrip("_").replace("_", "-")}="{_value(value)}"'
        for name, value in {**looks, **attributes}.items()
        if value is not None
    )
    content = Markup("").join(each if isinstance(each, Markup) else text_of(each) for each in inside)
    return Markup(f"<{tag}{written}>{content}</{tag}>")  # noqa: S704 - all that goes in was escaped


def text_of(text: str) -> Markup:
    """As text in any XML: what can't stand there is shown as such."""
    return escape(_NOT_XML.sub("�", text))


def _value(value: str | float) -> Markup:
    return text_of(value) if isinstance(value, str) else escape(number(value))


def number(value: float) -> str:
    """With two decimals at most, the same on every machine."""
    return f"{round(value, 2) + 0.0:.2f}".rstrip("0").rstrip(".")


def words(text: str, x: float, y: float, kind: str = "ink", **attributes: Value) -> Markup:
    return draw("text", kind, text, x=x, y=y, **attributes)


def box(x: float, y: float, width: float, height: float, kind: str | None = None, **more: Value) -> Markup:
    return draw("rect", kind, x=x, y=y, width=max(0.0, width), height=height, **more)


def upright(x: float, top: float, bottom: float, kind: str) -> Markup:
    return draw("path", kind, d=f"M{number(x)} {number(top)}V{number(bottom)}")


def level(x: float, right: float, y: float, kind: str) -> Markup:
    return draw("path", kind, d=f"M{number(x)} {number(y)}H{number(right)}")


def sign(name: str, x: float, y: float, *, scale: float = 1.0, title: str | None = None) -> Markup:
    inside = () if title is None else (draw("title", None, title),)
    move = f"translate({number(x)} {number(y)})" + ("" if scale == 1.0 else f" scale({number(scale)})")
    return draw("path", name, *inside, d=SIGNS[name], transform=move)


def short(text: str, most: int) -> str:
    """No longer than ``most`` characters."""
    return text if len(text) <= most else text[: most - 1].rstrip() + "…"


def picture(name: str, title: str, wide: int, tall: float, *inside: Markup, kind: str = "wide") -> Markup:
    """A whole picture in a box that scrolls where there is no room. ``name`` begins its ids and is the only
    one of its kind on a page; ``title`` says what there is to see. ``kind``: ``wide``, ``mid`` or ``small``,
    which fits on a phone."""
    label = f"{name}-title"
    svg = draw(
        "svg",
        None,
        draw("title", None, title, id=label),
        *inside,
        viewBox=f"0 0 {wide} {number(tall)}",
        width=wide,
        height=tall,
        role="img",
        aria_labelledby=label,
        font_family=FONT,
        font_size=13,
        class_=f"pic pic-{kind}",
    )
    return draw("div", None, svg, class_="pic-box", role="group", tabindex="0", aria_label=title)
