"""The shapes of what is told of a line: its order, and each station's tower, link and counts."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from service.web.schemas import Source, StaleSince


class _Told(BaseModel):
    """What is answered: keys may be added later."""

    model_config = ConfigDict(extra="allow")


class OrderView(_Told):
    order: str
    recipe: str | None
    panels: int | None
    state: str


class TowerView(_Told):
    lamps: dict[str, str]
    buzzer: str
    slots: list[str]
    reading: str
    since: str


class LinkView(_Told):
    state: str
    since: str | None


class StationView(_Told):
    station: str
    tower: TowerView | None
    link: LinkView | None
    panels: int | None
    session: str | None
    seq: int | None
    order_done: Annotated[int | None, Field(description="panels of the running order completed here")]
    order_done_estimated: bool
    takt_seconds: float | None
    uncertain_since: str | None
    clock_flagged: bool
    as_of: str | None
    source: Source
    stale_since: StaleSince


class LineView(_Told):
    line: str
    order: OrderView | None
    queued: Annotated[list[str], Field(description="the orders that come next")]
    stations: list[StationView]
