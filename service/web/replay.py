"""The bar of a page that shows a recording: which moment it is in it, how fast it goes, and on to a later
moment. Only ``earlybell replay --page`` has it."""

from __future__ import annotations

import math
from typing import Annotated, Literal

import anyio
from fastapi import APIRouter, Depends
from pydantic import AwareDatetime, BaseModel, Field
from starlette.responses import Response

from service.desk import Playing
from service.domain.model import from_datetime
from service.web.answers import UNFIT, json_answer
from service.web.wiring import Own, asked, body_of

Speed = Annotated[float, Field(gt=0, le=1_000_000, allow_inf_nan=False)]


class PlayingView(BaseModel):
    """Moments are the recording's."""

    at: str
    begin: Annotated[str, Field(alias="from")]
    to: str
    speed: Annotated[Speed | Literal["max"], Field(description="times real time")]
    paused: bool
    share: float
    ends_in_seconds: Annotated[float | None, Field(description="null: paused, or nobody knows")]
    entries: int
    state: Literal["playing", "paused", "ended"]


class Steer(BaseModel):
    """What isn't named stays."""

    speed: Speed | Literal["max"] | None = None
    paused: bool | None = None
    at: Annotated[AwareDatetime | None, Field(description="leap to this later moment")] = None


def router_of(playing: Playing) -> APIRouter:
    """Its calls."""
    router = APIRouter(prefix="/api/v1", responses=UNFIT, tags=["replay"])

    @router.get("/replay", response_model=PlayingView)
    def replay() -> Response:
        """Which moment of the recording is shown."""
        return json_answer(_shown(playing.playing()))

    @router.post("/replay", response_model=PlayingView, openapi_extra=body_of(Steer))
    async def steer(ask: Annotated[Steer, Depends(asked(Steer))], own: Own) -> Response:
        """Play faster or slower, pause, go on, or leap to a later moment."""
        speed = math.inf if ask.speed == "max" else ask.speed
        to = None if ask.at is None else from_datetime(ask.at)
        shown = await anyio.to_thread.run_sync(
            lambda: playing.steer(speed=speed, paused=ask.paused, to=to), limiter=own.desk_threads
        )
        return json_answer(_shown(shown))

    return router


def _shown(state: dict[str, object]) -> dict[str, object]:
    return state | {"speed": "max" if state["speed"] is None else state["speed"]}
