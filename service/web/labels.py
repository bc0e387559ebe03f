"""What a label says, asked by pages and by programs; it changes nothing."""

from __future__ import annotations

from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Depends
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service.domain.labels import Unreadable, read_label
from service.domain.said import Said, put
from service.web.answers import UNFIT, json_answer
from service.web.tongue import language_of
from service.web.wiring import Own, asked, body_of

router = APIRouter(prefix="/api/v1", responses=UNFIT, tags=["reading"])


class LabelAsk(BaseModel):
    model_config = ConfigDict(strict=True, extra="ignore")

    text: Annotated[
        str, Field(description="as the scanner gave it, control characters (GS, RS, EOT) and all")
    ]
    expects: Annotated[
        list[Annotated[str, Field(max_length=256)]],
        Field(max_length=1000, description="parts that it may be about: they settle what is ambiguous"),
    ] = []


class LabelView(BaseModel):
    """Null: the label doesn't say so."""

    part: Annotated[str | None, Field(description="the plant's part, where the configuration knows it")]
    names: Annotated[list[str], Field(description="every number that may name the part, that one first")]
    quantity: int | None
    lot: str | None
    supply: Annotated[str | None, Field(description="the very reel or tray")]
    moisture_level: Annotated[str | None, Field(description="of J-STD-020, such as `2a`")]
    rest: Annotated[
        list[tuple[str, str]], Field(description="what else stands there: identifiers and values, as read")
    ]
    format: Annotated[
        str,
        Field(
            description="`15434/06`, `15434/05`, `gs1`, `fields`, `field`, `plain`, or `pattern` and its name"
        ),
    ]
    tolerated: Annotated[list[str], Field(description="what isn't as it should be and was read all the same")]


@router.post("/labels/read", response_model=LabelView, openapi_extra=body_of(LabelAsk))
async def read(ask: Annotated[LabelAsk, Depends(asked(LabelAsk))], request: Request, own: Own) -> Response:
    """What a label says; 422 with what is wrong and where. Changes nothing."""
    language, zone = language_of(request), ZoneInfo(request.app.state.timezone)

    def say(said: Said) -> str:
        return put(said, zone, language)

    try:
        label = read_label(ask.text, own.labels, expected=ask.expects)
    except Unreadable as unreadable:
        raise HTTPException(422, say(unreadable.said)) from None
    return json_answer(
        {
            "part": label.part,
            "names": label.names,
            "quantity": label.quantity,
            "lot": label.lot,
            "supply": label.supply,
            "moisture_level": label.moisture_level,
            "rest": label.rest,
            "format": label.format,
            "tolerated": [say(each) for each in label.tolerated],
        }
    )
