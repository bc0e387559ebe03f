"""``deploy/observing.md``: written by hand, but for two tables that are made of the declarations."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from prometheus_client import Counter, Gauge, Histogram

from service.telemetry import Metrics
from service.telemetry.actions import ACTIONS
from service.telemetry.registry import Declared, Label

FILE = Path(__file__).parents[2] / "deploy" / "observing.md"
_KINDS: dict[Any, str] = {Counter: "counter", Gauge: "gauge", Histogram: "histogram"}


def made(text: str) -> str:
    """The page with its tables as they should be. ``ValueError``: it lacks the place of one."""
    for name, lines in (("metrics", _metrics()), ("words", _words())):
        begin, end = f"<!-- {name}: made by `make observing` -->", f"<!-- end of {name} -->"
        place = re.compile(re.escape(begin) + ".*?" + re.escape(end), re.DOTALL)
        whole = "\n".join((begin, *lines, end))
        text, found = place.subn(whole.replace("\\", r"\\"), text)
        if found != 1:
            raise ValueError(f"{FILE.name}: one place for {name}, between {begin!r} and {end!r}")
    return text


def _metrics() -> Iterator[str]:
    yield "| metric | type, unit | labels | what it is | odd when |"
    yield "| --- | --- | --- | --- | --- |"
    for each in Metrics.declared():
        kind = ", ".join(filter(None, (_KINDS[each.kind], each.unit)))
        labels = "; ".join(_label(label) for label in each.labels)
        yield _row(f"`{each.name}`", kind, labels, each.help, _linked(each))


def _label(label: Label) -> str:
    return f"`{label.name}`: " + (", ".join(label.values) or label.of)


def _linked(each: Declared[Any]) -> str:
    return re.sub(r"\(runbook ([a-z-]+)\)", r"([\1](runbooks.md#\1))", each.odd)


def _words() -> Iterator[str]:
    yield "| `action` | level | fields | what it means | what to do |"
    yield "| --- | --- | --- | --- | --- |"
    for word, action in sorted(ACTIONS.items()):
        fields = ", ".join(f"`{field}`" for field in action.fields)
        do = re.sub(r"\b([Rr]unbook) ([a-z]+(-[a-z]+)+)", r"\1 [\2](runbooks.md#\2)", action.do)
        yield _row(f"`{word}`", ", ".join(action.levels), fields, action.means, do)


def _row(*cells: str) -> str:
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"
