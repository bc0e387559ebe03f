"""The calls that only look: lines, slots, notices, refused messages, the record, the journal, the stream."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator
from functools import partial
from itertools import chain
from typing import Annotated

import anyio
from fastapi import APIRouter, Depends, Header, Query
from pydantic import BeforeValidator
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse

from service.domain.access import Caller
from service.domain.events import MOST
from service.domain.model import Instant, NoticeState
from service.web import recorded, schemas
from service.web.answers import LATER, UNFIT, UNKNOWN, json_answer
from service.web.caller import caller_of, secret_of
from service.web.lines import LineView
from service.web.stream import Listener, LiveResponse
from service.web.wiring import Own

PAGE = 100
LARGEST_PAGE = 1000
_PIECE = 64 * 1024

router = APIRouter(prefix="/api/v1", responses=LATER | UNFIT)

Limit = Annotated[int, Query(ge=1, description=f"at most {LARGEST_PAGE}; larger is cut")]
Moment = Annotated[Instant | None, BeforeValidator(schemas.read_moment)]


@router.get("/lines", response_model=list[LineView])
def lines(own: Own) -> Response:
    """Lines with their order, stations, tower readings and links."""
    return json_answer(own.reading.lines())


@router.get("/lines/{line}/slots", response_model=list[schemas.SlotForecast], responses=UNKNOWN)
def slots(line: schemas.Name, own: Own) -> Response:
    """Every slot's forecast, soonest first."""
    forecasts = own.reading.slots(line)
    if forecasts is None:
        raise HTTPException(404, f"no line {line!r} was heard of yet")
    return json_answer(forecasts)


@router.get(
    "/lines/{line}/stations/{station}/slots/{slot}", response_model=schemas.SlotDetail, responses=UNKNOWN
)
def slot(line: schemas.Name, station: schemas.Name, slot: schemas.Name, own: Own) -> Response:
    """One slot's forecast and why it is what it is: two sentences and the figures behind them."""
    found = own.reading.explained(line, station, slot)
    if found is None:
        raise HTTPException(404, f"no slot {slot!r} was heard of at station {station!r} of line {line!r} yet")
    return json_answer(found)


@router.get("/notices", response_model=list[schemas.NoticeView])
def notices(
    own: Own,
    state: Annotated[list[NoticeState] | None, Query(description="may be repeated")] = None,
    limit: Limit = PAGE,
    after: Annotated[str | None, Query(max_length=256, description="the last id seen")] = None,
    line: Annotated[schemas.Name | None, Query(description="only this line's")] = None,
    station: Annotated[schemas.Name | None, Query(description="only those of a station of this name")] = None,
    slot: Annotated[schemas.Name | None, Query(description="only those of a slot of this name")] = None,
) -> Response:
    """Notices, newest first; without ``state`` all that aren't closed."""
    states = [one.value for one in state] if state else None
    most = min(limit, LARGEST_PAGE)
    place = {"line": line, "station": station, "slot": slot}
    wanted = {key: name for key, name in place.items() if name is not None}
    return json_answer(own.reading.notices(states=states, limit=most, after=after, place=wanted))


@router.get("/notices/{notice_id}", response_model=schemas.NoticeView, responses=UNKNOWN)
def notice(notice_id: str, own: Own) -> Response:
    """One notice, whatever its state."""
    found = own.reading.notice(notice_id)
    if found is None:
        raise HTTPException(404, f"no notice {notice_id[:80]!r}")
    return json_answer(found)


@router.get("/refused", response_model=list[schemas.RefusedView])
def refused(
    own: Own,
    limit: Limit = PAGE,
    after: Annotated[int | None, Query(ge=0, le=MOST, description="the last id seen")] = None,
) -> Response:
    """Messages that didn't fit, with the reason, newest first."""
    return json_answer(own.reading.refused(limit=min(limit, LARGEST_PAGE), after=after))


@router.get("/record", response_model=recorded.RecordView)
def record(own: Own) -> Response:
    """How the promise of the warnings stands: what became of them, in all and by kind of supply."""
    return json_answer(own.reading.record())


@router.get("/learned", response_model=list[recorded.LearnedView])
def learned(own: Own, limit: Limit = PAGE) -> Response:
    """What finished supplies taught: by kind, then by part, of which most were finished first."""
    return json_answer(own.reading.learned(limit=min(limit, LARGEST_PAGE)))


@router.get("/events", response_class=Response, responses={200: {"content": {"application/x-ndjson": {}}}})
def events(
    own: Own,
    since: Annotated[Moment, Query(alias="from", description="RFC 3339 with an offset")] = None,
    until: Annotated[Moment, Query(alias="to", description="RFC 3339 with an offset")] = None,
    sealed: Annotated[
        bool, Query(description="a manifest with number and checksum as the last line, as `export` writes it")
    ] = False,
) -> Response:
    """The journal as CloudEvents, one JSON object a line, beginning with the state it starts from."""
    pieces = in_pieces(own.reading.events(since=since, until=until, sealed=sealed))
    first = next(pieces, b"")  # a store that is down must show before the 200 does
    return StreamingResponse(chain((first,), pieces), media_type="application/x-ndjson")


def in_pieces(rows: Iterator[bytes]) -> Iterator[bytes]:
    """Rows with their line ends in pieces of about 64 KiB: each piece costs one change of thread, each row
    would too."""
    piece = bytearray()
    for row in rows:
        piece += row.rstrip(b"\n") + b"\n"
        if len(piece) >= _PIECE:
            yield bytes(piece)
            piece.clear()
    yield bytes(piece)


async def _listener(
    request: Request,
    own: Own,
    line: Annotated[schemas.Name | None, Query(description="only this line's events")] = None,
    last_event_id: Annotated[str | None, Header(max_length=64)] = None,
) -> AsyncIterator[Listener]:
    holder, caller = secret_of(request), caller_of(request)
    listener = own.hub.join(line=line, last_id=last_event_id, holder=holder)
    watch = asyncio.create_task(_dismiss_when_over(own, listener, caller))
    try:
        yield listener
    finally:
        own.hub.leave(listener)
        watch.cancel()


async def _dismiss_when_over(own: Own, listener: Listener, caller: Caller | None) -> None:
    """A stream ends with the session or token that opened it; what ends elsewhere shows by asking only."""
    if own.door is None:
        return
    ask = partial(own.door.still, listener.holder, caller)
    while await anyio.to_thread.run_sync(ask):  # noqa: ASYNC110
        await asyncio.sleep(own.session_check_seconds)
    own.hub.dismiss(listener)


@router.get("/stream", response_class=Response, responses={200: {"content": {"text/event-stream": {}}}})
async def stream(own: Own, listener: Annotated[Listener, Depends(_listener)]) -> Response:
    """Changes as they happen: `forecast` (a slot object), `notice`, `plan` (a line's), or `resync` (fetch
    everything again)."""
    return LiveResponse(own.hub.frames(listener))
