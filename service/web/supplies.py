"""The supplies that have a name: where each is, its floor life, and what is done to it."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Query
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field
from starlette.requests import Request
from starlette.responses import Response

from service.web import schemas
from service.web.answers import LATER, UNFIT, json_answer
from service.web.material import FloorLifeView, Hours, Level
from service.web.pages import page
from service.web.reads import LARGEST_PAGE, PAGE, Limit
from service.web.wiring import Own, asked, body_of

router = APIRouter(prefix="/api/v1", responses=LATER | UNFIT)
pages = APIRouter(include_in_schema=False, default_response_class=Response)
State = Literal["sealed", "exposed", "dry", "expired", "unknown"]


class PlaceView(BaseModel):
    line: str
    station: str
    slot: str


class SupplyView(BaseModel):
    model_config = ConfigDict(extra="allow")

    supply: str
    kind: str | None
    part: str | None
    lot: str | None
    where: Annotated[PlaceView | None, Field(description="null: it isn't loaded")]
    left: Annotated[int | None, Field(description="parts, by the book")]
    floor_life: Annotated[
        FloorLifeView | None, Field(description="null: nobody says that it is sensitive to moisture")
    ]


class Care(BaseModel):
    """What was done; baking and handling are for the label, the standard and the plant's rules."""

    model_config = ConfigDict(strict=True, extra="ignore")

    change: Literal["opened", "sealed", "dry", "out", "baked"]
    by: schemas.Person
    at: Annotated[AwareDatetime | None, Field(description="when; now, if it isn't said")] = None
    humidity: Annotated[
        float | None, Field(ge=0, le=100, description="% RH of the dry cabinet; as configured, if not said")
    ] = None
    part: schemas.Text | None = None
    moisture_level: Level = None
    floor_hours: Hours | None = None


@router.get("/supplies", response_model=list[SupplyView], tags=["reading"])
def supplies(
    own: Own,
    state: Annotated[list[State] | None, Query(description="of the floor life; may be repeated")] = None,
    part: Annotated[schemas.Text | None, Query(description="only those of this part")] = None,
    line: Annotated[schemas.Name | None, Query(description="only what is loaded on this line")] = None,
    q: Annotated[schemas.Text | None, Query(description="in the name, the part or the lot")] = None,
    limit: Limit = PAGE,
    after: Annotated[str | None, Query(max_length=256, description="the last supply seen")] = None,
) -> Response:
    """Supplies that have a name, the one whose floor life ends soonest first."""
    found = own.reading.supplies()
    names = [each["supply"] for each in found]
    start = names.index(after) + 1 if after in names else 0
    wanted = (each for each in found[start:] if _is_wanted(each, state, part, line) and _has(each, q))
    return json_answer([each for each, _ in zip(wanted, range(min(limit, LARGEST_PAGE)), strict=False)])


def _is_wanted(
    shown: dict[str, object], state: list[State] | None, part: str | None, line: str | None
) -> bool:
    life, where = shown["floor_life"], shown["where"]
    if state and not (isinstance(life, dict) and life["state"] in state):
        return False
    if part is not None and shown["part"] != part:
        return False
    return line is None or (isinstance(where, dict) and where["line"] == line)


def _has(shown: dict[str, object], text: str | None) -> bool:
    words = (str(shown[key] or "").lower() for key in ("supply", "part", "lot"))
    return text is None or any(text.strip().lower() in word for word in words)


@router.post(
    "/supplies/{supply:path}/care",
    response_model=SupplyView,
    openapi_extra=body_of(Care),
    tags=["changing"],
)
async def care(
    supply: Annotated[str, Field(min_length=1, max_length=256)],
    said: Annotated[Care, Depends(asked(Care))],
    own: Own,
) -> Response:
    """Say what was done to a supply; the answer is what is then known of it, after the commit."""
    body = said.model_dump_json(exclude_none=True).encode()
    return json_answer(await own.at_desk(lambda desk: desk.care(supply, body)))


@pages.api_route("/supplies", methods=["GET", "HEAD"])
async def shelf(request: Request) -> Response:
    return page(request, "supplies.html")
