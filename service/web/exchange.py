"""The guided exchange: its page, what it needs, and the check of a supply before it is loaded."""

from __future__ import annotations

from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Depends
from pydantic import BaseModel, ConfigDict, Field, model_validator
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service.desk import Exchanging, Read
from service.domain.labels import Unreadable, read_label
from service.domain.said import put
from service.web import schemas
from service.web.answers import LATER, UNFIT, UNKNOWN, json_answer
from service.web.pages import page
from service.web.tongue import language_of
from service.web.wiring import Own, asked, body_of

router = APIRouter(prefix="/api/v1", responses=LATER | UNFIT | UNKNOWN)
pages = APIRouter(include_in_schema=False, default_response_class=Response)
SLOT = "/lines/{line}/stations/{station}/slots/{slot}"


class CheckAsk(BaseModel):
    """Either the ``label`` as it was scanned, or what a person read of it. What is said beside a label goes
    before it."""

    model_config = ConfigDict(strict=True, extra="ignore")

    by: schemas.Person
    label: Annotated[str | None, Field(description="the scanned text, control characters and all")] = None
    part: schemas.Text | None = None
    quantity: schemas.Count | None = None
    lot: schemas.Text | None = None
    supply: schemas.Text | None = None

    @model_validator(mode="after")
    def _says_something(self) -> CheckAsk:
        if not (self.label or self.part or self.supply):
            raise ValueError("give a `label`, a `part` or a `supply`")
        return self


class _Told(BaseModel):
    """What is answered: keys may be added later."""

    model_config = ConfigDict(extra="allow")


class SentenceView(_Told):
    message: str
    said: Annotated[dict[str, Any], Field(description="the message, to be put into a language")]


class WantedView(_Told):
    part: Annotated[str | None, Field(description="null: nobody says")]
    order: Annotated[str | None, Field(description="the queued order that wants it; null: what runs now")]
    by_recipe: bool
    instead: Annotated[list[str], Field(description="what may stand in for it")]


class BoundaryView(SentenceView):
    needed: Annotated[bool, Field(description="the slot can be exchanged between two panels only")]
    now: Annotated[bool | None, Field(description="null: nobody knows from here")]
    panels: Annotated[int | None, Field(description="boundaries from now: the end of the panel in work is 1")]
    seconds: Annotated[float | None, Field(description="until then, about")]
    every_seconds: float | None
    last_panel_at: str | None


class WayView(_Told):
    change: Literal["loaded", "joined"]
    steps: list[SentenceView]


class UndoView(_Told):
    event: str
    until: str
    by: str | None
    part: str | None


class ExchangeView(_Told):
    line: str
    station: str
    slot: str
    kind: str | None
    loaded: Annotated[str | None, Field(description="the part that is in it now")]
    wanted: WantedView
    bring: SentenceView
    ready: Annotated[int, Field(description="so many of them stand ready at the line")]
    usual_quantity: int | None
    boundary: BoundaryView
    cautions: Annotated[list[SentenceView], Field(description="always first, never left out")]
    ways: Annotated[list[WayView], Field(description="how it can be exchanged, the usual way first")]
    notice: str | None
    wrong_part: Annotated[str | None, Field(description="the open notice about a wrong part")]
    undo: UndoView | None


class ReadView(_Told):
    part: str | None
    quantity: int | None
    lot: str | None
    supply: str | None
    moisture_level: str | None


class CheckView(SentenceView):
    verdict: Literal["right", "substitute", "wrong", "expired", "unknown"]
    read: ReadView
    wanted: WantedView
    boundary: BoundaryView
    usual_quantity: int | None
    quantity: Annotated[int | None, Field(description="what should be in it; null: nobody says")]
    warnings: list[SentenceView]
    notice: Annotated[str | None, Field(description="of a part that was refused")]


@router.get(SLOT + "/exchange", response_model=ExchangeView, tags=["reading"])
def exchange(line: schemas.Name, station: schemas.Name, slot: schemas.Name, own: Own) -> Response:
    """What somebody needs who is about to exchange what is in a slot."""
    return _found(_guide(own).exchange(line, station, slot), f"{line} {station} {slot}")


@router.post(SLOT + "/check", response_model=CheckView, openapi_extra=body_of(CheckAsk), tags=["changing"])
async def check(
    line: schemas.Name,
    station: schemas.Name,
    slot: schemas.Name,
    ask: Annotated[CheckAsk, Depends(asked(CheckAsk))],
    request: Request,
    own: Own,
) -> Response:
    """Right or wrong, before anything is loaded. A part that the slot doesn't want is refused and told."""
    guide = _guide(own)
    try:
        found = await own.at_desk(
            lambda _: guide.check(
                line, station, slot, _read(own, guide, ask, (line, station, slot)), by=ask.by
            )
        )
    except Unreadable as unreadable:
        zone = ZoneInfo(request.app.state.timezone)
        raise HTTPException(422, put(unreadable.said, zone, language_of(request))) from None
    return _found(found, f"{line} {station} {slot}")


@pages.api_route("/exchange", methods=["GET", "HEAD"])
async def exchange_page(request: Request) -> Response:
    return page(request, "exchange.html")


def _guide(own: Own) -> Exchanging:
    if own.exchanging is None:
        raise HTTPException(404)
    return own.exchanging


def _read(own: Own, guide: Exchanging, ask: CheckAsk, place: tuple[str, str, str]) -> Read:
    """Raises ``Unreadable``."""
    said = Read(part=ask.part, quantity=ask.quantity, lot=ask.lot, supply=ask.supply)
    if not ask.label:
        return said
    label = read_label(ask.label, own.labels, expected=guide.parts(*place))
    return Read(
        part=said.part or label.part,
        quantity=label.quantity if said.quantity is None else said.quantity,
        lot=said.lot or label.lot,
        supply=said.supply or label.supply,
        moisture_level=label.moisture_level,
    )


def _found(found: dict[str, object] | None, place: str) -> Response:
    if found is None:
        raise HTTPException(404, f"no slot {place!r} was heard of yet")
    return json_answer(found)
