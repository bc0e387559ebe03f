"""The call and the page about the sources that the floor is heard from: how each is reached, what came of it,
and what one on trial would have counted."""

from __future__ import annotations

from typing import Annotated, Any, cast

from fastapi import APIRouter, Depends
from pydantic import BaseModel, ConfigDict, Field
from starlette.requests import Request
from starlette.responses import Response

from service.domain.model import SECOND, Instant, rfc3339_or_none
from service.incoming import Counted, Incoming, Listening, SourceRow, State
from service.web.answers import LATER, json_answer
from service.web.pages import page

router = APIRouter(prefix="/api/v1", responses=LATER, tags=["gateways"])
pages = APIRouter(include_in_schema=False, default_response_class=Response)


class _Told(BaseModel):
    """What is answered: keys may be added later."""

    model_config = ConfigDict(extra="allow")


class RefusalView(_Told):
    reason: str
    at: str


class ClocksView(_Told):
    """Seconds ahead of our clock; negative: behind, or what they say takes so long to come."""

    median: float
    worst: float


class PlaceView(_Told):
    line: str
    station: str
    clock_flagged: Annotated[bool, Field(description="its last message had a time that isn't believed")]


class FiguresView(_Told):
    since: Annotated[str, Field(description="since when this instance listens and counts")]
    messages: int
    said: Annotated[dict[str, int], Field(description="by kind: what was new in them, in our own words")]
    repeats: Annotated[int, Field(description="of what they said, that was said before")]
    refused: int
    last_refusal: RefusalView | None
    last_heard: str | None
    per_minute: Annotated[float | None, Field(description="messages, over the last five minutes")]
    missing: Annotated[int, Field(description="numbers of `seq` that are missing now, over its stations")]
    gaps: Annotated[int | None, Field(description="in the numbering of its format; null: it has none")]
    clocks: Annotated[ClocksView | None, Field(description="of the counts; null: no time was said")]
    stations: Annotated[list[PlaceView], Field(description="that it counts")]


class TakenView(_Told):
    placed: int
    lost: int


class TriedSlotView(_Told):
    line: str
    station: str
    slot: str
    trial: TakenView
    counted: Annotated[TakenView | None, Field(description="in the same time; null: nothing counts it")]


class TriedPanelsView(_Told):
    line: str
    station: str
    trial: int
    counted: int | None


class TriedReasonView(_Told):
    reason: str
    times: int


class TrialView(_Told):
    """What it would have counted, beside what is counted in the same time."""

    since: str
    connected: bool
    trouble: str | None
    slots: list[TriedSlotView]
    panels: list[TriedPanelsView]
    refused: list[TriedReasonView]


class SourceView(_Told):
    source: Annotated[str, Field(description="its name in the configuration; `mqtt`: that of `[mqtt]`")]
    format: str
    leads_to: Annotated[str, Field(description="the host of its broker")]
    topics: Annotated[list[str], Field(description="the topic filters by which it is heard")]
    state: Annotated[
        State,
        Field(
            description="`away`: its broker isn't reached; `quiet`: it is, and nothing is said; `trial`:"
            " counts nowhere; `elsewhere`: another instance is in charge and listens, this one has no figures"
        ),
    ]
    trouble: Annotated[str | None, Field(description="why it isn't reached")]
    silent_after: Annotated[int | None, Field(description="seconds; null: its silence alone is no news")]
    silent_since: Annotated[str | None, Field(description="while that is told of, where it is known")]
    notice: Annotated[str | None, Field(description="the open one about it")]
    figures: Annotated[FiguresView | None, Field(description="null: not listened to here, or on trial")]
    trial: TrialView | None


def _incoming(request: Request) -> Incoming:
    return cast(Incoming, request.app.state.incoming)


@router.get("/gateways", response_model=list[SourceView])
def gateways(incoming: Annotated[Incoming, Depends(_incoming)]) -> Response:
    """The sources that the floor is heard from, that of `[mqtt]` first, then as configured."""
    return json_answer([_view(row) for row in incoming.rows()])


@pages.api_route("/gateways", methods=["GET", "HEAD"])
async def gateways_page(request: Request) -> Response:
    return page(request, "gateways.html")


def _view(row: SourceRow) -> dict[str, object]:
    now, trial = row.now, row.trial
    trouble = trial["trouble"] if trial is not None else None if now is None else now.trouble
    return {
        "source": row.name,
        "format": row.format,
        "leads_to": row.leads_to,
        "topics": list(row.topics),
        "state": row.state,
        "trouble": trouble,
        "silent_after": row.silent_after,
        "silent_since": None if now is None else rfc3339_or_none(now.silent_since),
        "notice": row.notice,
        "figures": None if now is None else _figures(now),
        "trial": trial,
    }


def _figures(now: Listening) -> dict[str, Any]:
    heard, counted = now.heard, now.counted
    return {
        "since": rfc3339_or_none(heard.since),
        "messages": heard.messages,
        "said": dict(heard.said),
        "repeats": heard.repeats,
        "refused": heard.refused,
        "last_refusal": None
        if heard.refused_at is None
        else {"reason": heard.reason, "at": rfc3339_or_none(heard.refused_at)},
        "last_heard": rfc3339_or_none(heard.heard_at),
        "per_minute": heard.per_minute,
        "missing": counted.missing,
        "gaps": now.gaps,
        "clocks": _clocks(counted),
        "stations": [
            {"line": line, "station": station, "clock_flagged": (line, station) in counted.flagged}
            for line, station in counted.stations
        ],
    }


def _clocks(counted: Counted) -> dict[str, float] | None:
    if counted.ahead is None or counted.worst is None:
        return None
    return {"median": _seconds(counted.ahead), "worst": _seconds(counted.worst)}


def _seconds(passed: Instant) -> float:
    return round(passed / SECOND, 3)
