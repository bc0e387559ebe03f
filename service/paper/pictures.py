"""The pictures of a report, as its templates ask for them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from markupsafe import Markup

from service.paper.control import control_chart
from service.paper.leads import leads
from service.paper.road import before_stops, slider
from service.paper.svg import draw
from service.paper.tell import Tell
from service.paper.timeline import key, timeline
from service.paper.waterfall import waterfall

Json = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Pictures:
    """``paper``: nothing moves."""

    report: Json
    tell: Tell
    paper: bool = False

    def timeline(self, line: Json) -> Markup:
        return timeline(f"timeline-{self.report['lines'].index(line)}", line, self.report, self.tell)

    def key(self) -> Markup:
        """How to read the timelines."""
        lines = self.report["lines"]
        causes = {each["cause"] for line in lines for some in line["stretches"].values() for each in some}
        return key(sorted(causes - {None}), self.tell)

    def waterfall(self) -> Markup:
        return waterfall("waterfall", self.report, self.tell)

    def control_chart(self, losses: Json) -> Markup:
        return control_chart(f"chart-{self.report['losses'].index(losses)}", losses, self.report, self.tell)

    def leads(self) -> Markup:
        return leads("leads", self.report, self.tell)

    def road(self) -> Markup:
        """The road ahead as it was: to go through, on paper before the worst stops."""
        if not self.paper:
            return slider(self.report, self.tell)
        found = before_stops(self.report, self.tell)
        return Markup("").join(draw("figure", None, draw("p", None, said), drawn) for said, drawn in found)


@cache
def script() -> Markup:
    """What moves the road, for a document that needs nothing beside it."""
    file = Path(__file__).parents[1] / "web" / "static" / "moments.js"
    return Markup(file.read_text(encoding="utf-8"))  # noqa: S704 - our own file
