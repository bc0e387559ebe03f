"""The memory of lots: where a supply was and which panels it fed, which panels got a lot; and its page."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from io import StringIO
from itertools import chain
from typing import Annotated, Any, Literal, cast

from fastapi import APIRouter, Depends, Query
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from service.desk import Lookup, LotReading
from service.domain.events import MOST
from service.paper.cells import cell
from service.web import schemas
from service.web.answers import LATER, UNFIT, json_answer
from service.web.pages import page
from service.web.reads import LARGEST_PAGE, PAGE, Limit, Moment, in_pieces
from service.web.wiring import Own

router = APIRouter(prefix="/api/v1", responses=LATER | UNFIT, tags=["reading"])
pages = APIRouter(include_in_schema=False, default_response_class=Response)
CSV = "text/csv"
COLUMNS = (
    "line", "station", "slot", "kind", "part", "lot", "supply", "quantity", "assumed", "by", "from", "to",
    "ended", "ended_by", "used", "order", "recipe", "sure_first", "sure_last", "possible_first",
    "possible_last",
)  # fmt: skip


class _Told(BaseModel):
    """What is answered: keys may be added later."""

    model_config = ConfigDict(extra="allow")


class PanelsView(_Told):
    first: int
    last: int


class SpanView(_Told):
    order: Annotated[str | None, Field(description="null: not known; panels by the station's own total")]
    recipe: str | None
    start_seen: Annotated[bool, Field(description="false: panels of the order counted since we know of it")]
    sure: Annotated[PanelsView | None, Field(description="every part from this slot was of it")]
    possible: Annotated[PanelsView, Field(description="the sure ones too; parts may be of a neighbour")]


class StayView(_Told):
    """One supply's time in one slot."""

    id: str
    line: str
    station: str
    slot: str
    kind: str | None
    part: str | None
    lot: Annotated[str | None, Field(description="null: nobody said")]
    supply: str | None
    quantity: Annotated[int | None, Field(description="parts, as they were declared")]
    assumed: Annotated[bool, Field(description="nobody said the quantity")]
    by: Annotated[str | None, Field(description="who loaded it")]
    since: Annotated[str | None, Field(alias="from", description="null: before we heard, or not yet")]
    to: Annotated[str | None, Field(description="null: it is in the slot")]
    ended: Annotated[
        str | None,
        Field(description="`loaded over`, `joint passed`, `removed`, `seen refilled`, `ran empty`"),
    ]
    ended_by: str | None
    waits: Annotated[bool, Field(description="joined behind what feeds; its joint hasn't passed")]
    used: Annotated[int | None, Field(description="parts, placed and lost, so far")]
    panels: list[SpanView]


class PlaceView(_Told):
    station: str
    slot: str


class OrderView(_Told):
    line: str
    order: str | None
    recipe: str | None
    station: Annotated[str | None, Field(description="whose total it is, where no order is known")]
    start_seen: bool
    slots: list[PlaceView]
    sure: list[PanelsView]
    possible: Annotated[list[PanelsView], Field(description="apart from the sure ones")]


class GotView(_Told):
    orders: list[OrderView]
    stays: Annotated[int, Field(description="put together from so many")]
    more: Annotated[bool, Field(description="there are more stays than it was put together from")]


def _said(text: object) -> object:
    return (text.strip() or None) if isinstance(text, str) else text


Text = Annotated[schemas.Text | None, BeforeValidator(_said), Query()]
Word = Annotated[schemas.Text | None, BeforeValidator(_said), Query(description="lot, part or supply")]


async def _asked(
    lot: Text = None,
    part: Text = None,
    supply: Text = None,
    q: Annotated[
        schemas.Text | None, BeforeValidator(_said), Query(description="lot, part or supply")
    ] = None,
    line: Annotated[schemas.Name | None, Query()] = None,
    station: Annotated[schemas.Name | None, Query()] = None,
    slot: Annotated[schemas.Name | None, Query()] = None,
    order: Text = None,
    panel: Annotated[int | None, Query(ge=1, le=MOST, description="of the order")] = None,
    since: Annotated[Moment, Query(alias="from", description="in the slot at some time since")] = None,
    until: Annotated[Moment, Query(alias="to", description="in the slot at some time before")] = None,
    limit: Limit = PAGE,
    after: Annotated[str | None, Query(max_length=256, description="the last id seen")] = None,
) -> Lookup:
    if panel is not None and order is None:
        raise HTTPException(422, "panel: name the order whose panel it is")
    return Lookup(
        lot=lot,
        part=part,
        supply=supply,
        word=q,
        line=line,
        station=station,
        slot=slot,
        order=order,
        panel=panel,
        since=since,
        until=until,
        limit=min(limit, LARGEST_PAGE),
        after=after,
    )


async def _lots(own: Own) -> LotReading:
    return cast(LotReading, own.lots)


Asked = Annotated[Lookup, Depends(_asked)]
Book = Annotated[LotReading, Depends(_lots)]


@router.get("/stays", response_model=list[StayView], responses={200: {"content": {CSV: {}}}})
def stays(
    request: Request,
    book: Book,
    asked: Asked,
    format_: Annotated[Literal["json", "csv"] | None, Query(alias="format")] = None,
) -> Response:
    """One supply's time in one slot each, newest first: which lot, from when to when, which panels of which
    order, who exchanged it. With `order` and `panel`: what was in that panel, and whether that is `sure`. As
    `text/csv` all of them, a row for each order."""
    if format_ == "csv" or (format_ is None and CSV in request.headers.get("accept", "")):
        rows = in_pieces(_sheet(book.all_stays(asked)))
        first = next(rows, b"")  # a store that is down must show before the 200 does
        name = 'attachment; filename="stays.csv"'
        return StreamingResponse(chain((first,), rows), media_type=CSV, headers={"content-disposition": name})
    return json_answer(book.stays(asked))


@router.get("/panels", response_model=GotView)
def panels(book: Book, asked: Asked) -> Response:
    """Which panels got a lot, a part or a supply, by line and order: those that surely did, and those that
    may have, because it was exchanged or joined within them or feeds together with others."""
    if not (asked.lot or asked.part or asked.supply or asked.word):
        raise HTTPException(422, "lot: say which `lot`, `part` or `supply`, or give `q`")
    return json_answer(book.panels(asked))


@pages.api_route("/lots", methods=["GET", "HEAD"])
async def lots_page(request: Request) -> Response:
    return page(request, "lots.html")


def _sheet(found: Iterator[dict[str, object]]) -> Iterator[bytes]:
    """A row for each span of each stay, one without panels for a stay that fed none."""
    yield _row(COLUMNS)
    for stay in found:
        for span in cast("list[dict[str, Any]]", stay["panels"]) or [{}]:
            sure, possible = span.get("sure") or {}, span.get("possible") or {}
            cells = stay | {
                "order": span.get("order"),
                "recipe": span.get("recipe"),
                "sure_first": sure.get("first"),
                "sure_last": sure.get("last"),
                "possible_first": possible.get("first"),
                "possible_last": possible.get("last"),
            }
            yield _row([cell(cells[column]) for column in COLUMNS])


def _row(cells: object) -> bytes:
    into = StringIO()
    csv.writer(into, lineterminator="\r\n").writerow(cast("list[object]", cells))
    return into.getvalue().encode()
