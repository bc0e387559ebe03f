"""The call about the message budget: how many messages each person got, against what people can follow."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.responses import Response

from service.web.answers import LATER, UNFIT, UNKNOWN, json_answer
from service.web.reads import Moment
from service.web.wiring import Own

router = APIRouter(prefix="/api/v1", responses=LATER | UNFIT, tags=["reading"])

Share = Annotated[float | None, Field(description="null: nothing was sent")]


class _Told(BaseModel):
    """What is answered: keys may be added later."""

    model_config = ConfigDict(extra="allow")


class BenchmarkView(_Told):
    good: Annotated[float, Field(description="very likely acceptable, for one person")]
    most: Annotated[float | None, Field(description="the most that can be managed; null: not said")]


class FloodView(_Told):
    since: Annotated[str, Field(alias="from")]
    until: Annotated[str | None, Field(alias="to", description="null: it goes on")]


class PersonBudget(_Told):
    """Averages are over the hours in which there was a message, shares of these hours."""

    who: Annotated[str, Field(description="a person; an outlet where nobody is named for it")]
    messages: int
    hours: Annotated[list[int], Field(description="messages in each hour since `from`")]
    per_day: Share
    per_hour: Share
    per_ten_minutes: Share
    peak_hour: int
    peak_ten_minutes: int
    crowded_hours: Annotated[float | None, Field(description="share of hours with more than 30")]
    crowded_ten_minutes: Annotated[float | None, Field(description="share of ten minutes with more than 10")]
    flood_share: Share
    floods: Annotated[
        list[FloodView],
        Field(description="from more than 10 within ten minutes to fewer than 5 in the last ten"),
    ]
    verdict: Annotated[str, Field(description="`very likely acceptable`, `manageable` or `too much`")]


class ThingView(_Told):
    """What notices were about, the same for each emptying of a slot."""

    kind: str
    line: str | None
    station: str | None
    slot: str | None
    about: str | None


class FrequentView(ThingView):
    times: int


class StaleView(ThingView):
    notice: str
    since: str


class Levels(_Told):
    early: int
    urgent: int
    empty: int


class BudgetView(_Told):
    since: Annotated[str, Field(alias="from")]
    until: Annotated[str, Field(alias="to")]
    benchmarks: dict[str, BenchmarkView]
    people: list[PersonBudget]
    announced: Annotated[int, Field(description="words that called for somebody, whoever heard them")]
    levels: Levels
    frequent: Annotated[list[FrequentView], Field(max_length=10, description="what was announced most")]
    frequent_share: Annotated[float | None, Field(description="of all that was announced")]
    chattering: Annotated[list[ThingView], Field(description="opened three times within a minute")]
    fleeting: Annotated[int, Field(description="notices that ended by themselves within a minute")]
    stale: Annotated[list[StaleView], Field(description="open for more than 24 hours, the oldest first")]


@router.get("/budget", response_model=BudgetView, responses=UNKNOWN)
def budget(
    own: Own,
    since: Annotated[
        Moment, Query(alias="from", description="RFC 3339; the full hour a day before `to` unless said")
    ] = None,
    until: Annotated[Moment, Query(alias="to", description="RFC 3339; now unless said")] = None,
) -> Response:
    """Messages per person and hour, floods, what is said most, chattering and stale ones, beside the figures
    of the alarm management standards; 31 days at most."""
    if own.budget is None:
        raise HTTPException(404, "nothing is sent from here")
    try:
        return json_answer(own.budget.shown(since=since, until=until))
    except ValueError as misfit:
        raise HTTPException(422, str(misfit)) from None
