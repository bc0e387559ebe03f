"""The calls that change something: what a person did to a slot, and what a person does with a notice."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from fastapi import APIRouter, Depends, Header
from starlette.exceptions import HTTPException
from starlette.responses import Response

from service.desk import Desk, Read
from service.domain.model import from_datetime
from service.web import schemas
from service.web.answers import LATER, UNFIT, UNKNOWN, json_answer
from service.web.wiring import Behind, Body, Own, asked, body_of

router = APIRouter(prefix="/api/v1", responses=LATER | UNFIT)

_FIRST = UNKNOWN | {
    409: {
        "model": schemas.NoticeView,
        "description": "someone was first, or it is closed: the notice as it is",
    }
}


@router.post(
    "/lines/{line}/stations/{station}/slots/{slot}/supply",
    response_model=schemas.SlotForecast,
    responses={409: {"model": schemas.Problem, "description": "it doesn't belong there; it can't be undone"}},
    openapi_extra=body_of(schemas.Supply),
)
async def supply(
    line: schemas.Name,
    station: schemas.Name,
    slot: schemas.Name,
    body: Body,
    own: Own,
    idempotency_key: Annotated[str | None, Header(min_length=1, max_length=256)] = None,
) -> Response:
    """Say what was done to a slot; the answer is its new forecast, after the commit."""
    said = schemas.Supply.model_validate_json(body)
    if said.slot is not None and said.slot != slot:
        raise HTTPException(422, f"slot: the body says {said.slot!r}, the path {slot!r}")

    def tell(desk: Desk) -> dict[str, object]:
        _require(own, said, (line, station, slot), said.id or idempotency_key)
        shown = desk.supply(line, station, slot, body, key=idempotency_key)
        if own.exchanging is not None and said.undoes is not None:
            own.exchanging.require_undone(line, station, slot, said.undoes)
        return shown

    return json_answer(await own.at_desk(tell))


def _require(own: Behind, said: schemas.Supply, place: tuple[str, str, str], said_as: str | None) -> None:
    """What is refused before it becomes an event: a guided load of what doesn't belong there, an undoing that
    comes too late. Raises ``Declined``."""
    if own.exchanging is None:
        return
    if said.change == "undone":
        own.exchanging.require_undoable(*place, said.undoes or "", said_as=said_as)
    elif said.guided and said.change in ("loaded", "joined"):
        read = Read(part=said.part, quantity=said.quantity, lot=said.lot, supply=said.supply)
        own.exchanging.require_fit(*place, read, by=said.by, reason=said.reason)


@router.post(
    "/notices/{notice_id}/take",
    response_model=schemas.NoticeView,
    responses=_FIRST,
    openapi_extra=body_of(schemas.Take),
)
async def take(
    notice_id: str, ask: Annotated[schemas.Take, Depends(asked(schemas.Take))], own: Own
) -> Response:
    """Say "I'm on it". Twice by the same person is 200, unchanged."""
    return await _answer(own, notice_id, lambda desk: desk.take(notice_id, by=ask.by))


@router.post(
    "/notices/{notice_id}/release",
    response_model=schemas.NoticeView,
    responses=_FIRST,
    openapi_extra=body_of(schemas.Take),
)
async def release(
    notice_id: str, ask: Annotated[schemas.Take, Depends(asked(schemas.Take))], own: Own
) -> Response:
    """Give it back: nobody has it, and it calls for somebody again."""
    return await _answer(own, notice_id, lambda desk: desk.release(notice_id, by=ask.by))


@router.post(
    "/notices/{notice_id}/quiet",
    response_model=schemas.NoticeView,
    responses=_FIRST,
    openapi_extra=body_of(schemas.Quiet),
)
async def quiet(
    notice_id: str, ask: Annotated[schemas.Quiet, Depends(asked(schemas.Quiet))], own: Own
) -> Response:
    """Say nothing about it for some panels or until a moment; a worse level still speaks."""
    until = None if ask.until is None else from_datetime(ask.until)
    return await _answer(
        own, notice_id, lambda desk: desk.quiet(notice_id, by=ask.by, panels=ask.panels, until=until)
    )


@router.post(
    "/notices/{notice_id}/close",
    response_model=schemas.NoticeView,
    responses=_FIRST,
    openapi_extra=body_of(schemas.Close),
)
async def close(
    notice_id: str, ask: Annotated[schemas.Close, Depends(asked(schemas.Close))], own: Own
) -> Response:
    """Close it for a reason; it opens again only when its level worsens."""
    return await _answer(own, notice_id, lambda desk: desk.close(notice_id, by=ask.by, reason=ask.reason))


async def _answer(own: Behind, notice_id: str, call: Callable[[Desk], dict[str, object]]) -> Response:
    try:
        return json_answer(await own.at_desk(call))
    except KeyError:
        raise HTTPException(404, f"no notice {notice_id[:80]!r}") from None
