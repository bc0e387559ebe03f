"""A source that carries IPC-2591 (CFX) as JSON over MQTT: ``format = "cfx"``."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from service.settings.gateway import FORMAT, Filter, GatewaySection
from service.settings.kinds import Section
from service.wire.cfx import CfxTranslator, PanelsFrom
from service.wire.cfx_counts import Consumption
from service.wire.cfx_read import SlotName
from service.wire.cfx_stations import StationRule

Wanted = Annotated[
    str, Field(min_length=1, max_length=400, description="a pattern such as acme.{line}.{station}")
]


class StationNames(Section):
    """Whose messages from this handle (their ``Source``) and on this topic are; what is left out is any."""

    handle: Wanted = "#"
    topic: Wanted = "#"
    fixed: dict[str, str] = Field(default={})

    def rule(self) -> StationRule:
        return StationRule(handle=self.handle, topic=self.topic, fixed=self.fixed)


class CfxSource(GatewaySection):
    """``topics``: patterns that may capture the line and the station. ``slots``: what a slot is called by.
    ``consumption``: which messages parts are counted by; left out: by what is consumed once a station says
    any, by what is installed until then."""

    format: Annotated[Literal["cfx"], FORMAT]
    topics: Annotated[tuple[Filter, ...], Field(min_length=1)] = ("cfx/#",)
    slots: Annotated[SlotName, Field(description='"identifier" or "name"')] = "identifier"
    consumption: Annotated[Consumption | None, Field(description='"consumed" or "installed"')] = None
    panels_from: Annotated[PanelsFrom, Field(description='"work" or "departed"')] = "work"
    stations: Annotated[tuple[StationNames, ...], Field(alias="station")] = ()

    def translator(self, timezone: str) -> CfxTranslator:
        return CfxTranslator(
            self.name,
            topics=self.topics,
            stations=[each.rule() for each in self.stations],
            slots=self.slots,
            consumption=self.consumption,
            panels_from=self.panels_from,
        )
