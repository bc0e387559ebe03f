"""Who would hear of something: asked by people before they trust the routes."""

from __future__ import annotations

import time
from typing import Annotated

from fastapi import APIRouter, Depends, Query
from pydantic import BaseModel, Field
from starlette.responses import Response

from service.domain.model import Instant, Level, Notice
from service.domain.who import supposed
from service.web import schemas
from service.web.answers import LATER, UNFIT, json_answer
from service.web.reads import Moment
from service.web.wiring import Own

router = APIRouter(prefix="/api/v1", responses=LATER | UNFIT, tags=["reading"])


class HearerView(BaseModel):
    person: str
    outlet: Annotated[str | None, Field(description="what reaches them now; null: nothing does")]


class RoundView(BaseModel):
    """Both ``after_minutes`` and ``after_panels`` null: at once."""

    after_minutes: float | None
    after_panels: int | None
    people: list[HearerView]
    outlets: Annotated[list[str], Field(description="all that is sent to, those of the people among them")]


class WhoView(BaseModel):
    at: str
    rounds: list[RoundView]
    routes: Annotated[list[int], Field(description="numbers in the configuration, from 1")]
    off: Annotated[list[str], Field(description="named, but off duty or in quiet hours")]
    remind_minutes: float | None
    remind_panels: int | None


class SpanView(BaseModel):
    since: str
    until: str
    people: list[str]
    outlets: Annotated[list[str], Field(description="empty: nobody hears")]


async def _asked(
    line: schemas.Name,
    station: schemas.Name | None = None,
    kind: Annotated[str, Query(max_length=32, description="of the supply, or of the notice")] = "tape",
    severity: Level = Level.EARLY,
    boundary_only: Annotated[bool | None, Query(description="trays are unless it is said")] = None,
    at: Annotated[Moment, Query(description="RFC 3339 with an offset; now without")] = None,
) -> tuple[Notice, Instant]:
    """The notice that is asked about, and when it would come."""
    moment = time.time_ns() // 1000 if at is None else at
    notice = supposed(
        line=line, station=station, kind=kind, level=severity, boundary_only=boundary_only, at=moment
    )
    return notice, moment


Asked = Annotated[tuple[Notice, Instant], Depends(_asked)]


@router.get("/who", response_model=WhoView)
def who(own: Own, asked: Asked) -> Response:
    """Who would hear of it at that moment, who later while nobody takes it, and who wouldn't."""
    notice, at = asked
    return json_answer(own.reading.who(notice, at=at))


@router.get("/who/week", response_model=list[SpanView])
def who_in_a_week(own: Own, asked: Asked) -> Response:
    """Who would hear of it at once over the seven days from then, a span for each change."""
    notice, at = asked
    return json_answer(own.reading.who_in_a_week(notice, at=at))
