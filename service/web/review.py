"""The review of a time: as JSON, as a page, and to take along as HTML, PDF and sheets.

Nothing here waits for a review but the calls for paper, in a few threads of their own: whoever asks for a
report that isn't there yet is told how far it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Literal
from urllib.parse import quote, urlencode
from zoneinfo import ZoneInfo

import anyio
from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service.domain.model import SECOND, Instant, from_clock, to_datetime, to_rfc3339
from service.language import english
from service.paper.document import body, document, style, title
from service.paper.sheets import SHEETS, sheet
from service.paper.tell import Tell
from service.reviewing import NothingToReview, NotReviewed, Progress, Reviewing, TooManyReviews
from service.web import schemas
from service.web.answers import LATER, UNFIT, UNKNOWN, json_answer
from service.web.pages import page
from service.web.reads import Moment
from service.web.tongue import language_of
from service.web.wiring import Behind, Own

Json = dict[str, Any]
MINUTE: Instant = 60 * SECOND
LONGEST: Instant = 31 * 24 * 60 * MINUTE
JUST_BEGUN: Instant = 30 * MINUTE
"""Of a shift that runs for less the one before is meant."""
SOON = {"retry-after": "1"}
NOTHING = english("nothing is known of that time")
PAPER_THREADS = anyio.CapacityLimiter(4)
STYLES = ("review.css", "pictures.css")

router = APIRouter(prefix="/api/v1", responses=LATER | UNFIT, tags=["reading"])
pages = APIRouter(include_in_schema=False, default_response_class=Response)

Line = Annotated[schemas.Name | None, Query(description="only this line; without it all")]
Since = Annotated[
    Moment, Query(alias="from", description="RFC 3339; else from the shift that runs, or ran last")
]
Until = Annotated[
    Moment,
    Query(alias="to", description="RFC 3339; what has not happened yet ends with the last full minute"),
]


class _Told(BaseModel):
    """What is answered: keys may be added later."""

    model_config = ConfigDict(extra="allow")


class MakingView(_Told):
    """It is being made: ask the same again."""

    since: Annotated[str, Field(alias="from")]
    until: Annotated[str, Field(alias="to")]
    line: str | None
    ready: bool
    entries: Annotated[int | None, Field(description="of the journal, read so far; null: it is ready")]
    waits: Annotated[int | None, Field(description="reviews of other times that come first")]


class ReviewView(_Told):
    """The report; `usecases/review` in the source says what each part holds. Lengths are milliseconds."""

    format: Literal[1]
    site: str
    timezone: str
    since: Annotated[str, Field(alias="from")]
    until: Annotated[str, Field(alias="to")]
    recording: dict[str, Any]
    settings: dict[str, Any]
    summary: Annotated[list[dict[str, Any]], Field(description="a few sentences, the most important first")]
    lines: list[dict[str, Any]]
    stops: Annotated[list[dict[str, Any]], Field(description="every stop of each station with its cause")]
    lost: Annotated[dict[str, Any], Field(description="what lines lost, by cause, slot, part and kind")]
    warnings: dict[str, Any]
    losses: Annotated[list[dict[str, Any]], Field(description="parts lost by slot, with control charts")]
    forecast: Annotated[dict[str, Any], Field(description="the track record of this time")]
    plan: Annotated[list[dict[str, Any]], Field(description="what was planned, and what came of it")]


@dataclass(frozen=True, slots=True)
class _Meant:
    """The time and the line that are meant."""

    since: Instant
    until: Instant
    line: str | None

    @property
    def query(self) -> str:
        said = {"from": to_rfc3339(self.since), "to": to_rfc3339(self.until)}
        return urlencode(said if self.line is None else said | {"line": self.line})

    def file(self, end: str) -> str:
        """A name for what is taken along."""
        begin = f"{to_datetime(self.since):%Y-%m-%d-%H%M}"
        return f"review-{begin}{'' if self.line is None else f'-{self.line}'}.{end}"


MADE: dict[int | str, dict[str, Any]] = {
    202: {"model": MakingView, "description": "it is being made; ask again in a second"}
}
PAPER: dict[int | str, dict[str, Any]] = {
    200: {"content": {"text/html": {}, "application/pdf": {}, "text/csv": {}}},
    **MADE,
    **UNKNOWN,
}


@router.get("/review", response_model=ReviewView, responses=PAPER)
async def review(
    request: Request, own: Own, since: Since = None, until: Until = None, line: Line = None
) -> Response:
    """What happened in a time, why stations stood, what the warnings gave. With `Accept: text/html`,
    `application/pdf` or `text/csv` as `/review.html`, `.pdf` and `.csv`."""
    return await _given(request, own, (since, until, line), _wanted(request.headers.get("accept", "")))


@router.get("/review/state", response_model=MakingView, responses=UNKNOWN)
def state(own: Own, since: Since = None, until: Until = None, line: Line = None) -> Response:
    """How far the review of a time is; asking begins it."""
    meant = _meant(own, since, until, line)
    found = _ask(own, meant)
    return json_answer(_making(meant, found if isinstance(found, Progress) else None))


@router.get("/review.html", response_class=Response, responses=PAPER)
async def as_html(
    request: Request, own: Own, since: Since = None, until: Until = None, line: Line = None
) -> Response:
    """The report as one document that needs nothing beside it."""
    return await _given(request, own, (since, until, line), "html")


@router.get("/review.pdf", response_class=Response, responses=PAPER)
async def as_pdf(
    request: Request, own: Own, since: Since = None, until: Until = None, line: Line = None
) -> Response:
    """The same on A4; waits for it."""
    return await _given(request, own, (since, until, line), "pdf")


@router.get("/review.csv", response_class=Response, responses=PAPER)
async def as_csv(
    request: Request,
    own: Own,
    since: Since = None,
    until: Until = None,
    line: Line = None,
    sheet: Annotated[Literal["stops", "lost", "times", "warnings", "losses"], Query()] = "stops",
) -> Response:
    """One of its sheets."""
    return await _given(request, own, (since, until, line), f"{sheet}.csv")


async def _given(
    request: Request, own: Behind, asked: tuple[Instant | None, Instant | None, str | None], kind: str | None
) -> Response:
    """``kind`` ``None``: as JSON. What waits for paper takes no thread from those who only look."""

    def give() -> Response:
        meant = _meant(own, *asked)
        found = _ask(own, meant)
        if isinstance(found, Progress):
            return json_answer(_making(meant, found), 202, SOON)
        return json_answer(found) if kind is None else _taken_along(request, own, meant, found, kind)

    return await anyio.to_thread.run_sync(give, limiter=PAPER_THREADS if kind == "pdf" else None)


def _taken_along(request: Request, own: Behind, meant: _Meant, report: Json, kind: str) -> Response:
    language = language_of(request)
    if kind == "html":
        content, media = document(report, language).encode(), "text/html; charset=utf-8"
    elif kind == "pdf":
        try:
            content = reviews_of(own).paper(meant.since, meant.until, meant.line, language)
        except NotReviewed as trouble:
            raise HTTPException(503, str(trouble), {"retry-after": "60"}) from None
        media = "application/pdf"
    else:
        content, media = sheet(report, kind), "text/csv; charset=utf-8"
    name = meant.file(kind)
    plain = name.encode("ascii", "replace").decode().replace("?", "-")
    says = f"attachment; filename=\"{plain}\"; filename*=UTF-8''{quote(name)}"
    return Response(content, media_type=media, headers={"content-disposition": says})


def _wanted(accept: str) -> str | None:
    """As what, where something else than JSON is asked for alone."""
    kinds = {"text/html": "html", "application/pdf": "pdf", "text/csv": "stops.csv"}
    first = accept.partition(",")[0].partition(";")[0].strip()
    return None if "application/json" in accept else kinds.get(first)


# Which time


def reviews_of(own: Behind) -> Reviewing:
    if own.reviews is None:
        raise HTTPException(404, english("nothing is reviewed here"))
    return own.reviews


def _meant(own: Behind, since: Instant | None, until: Instant | None, line: str | None) -> _Meant:
    now, shifts = own.reading.recent(line)
    latest = now // MINUTE * MINUTE
    if since is None and until is None:
        since, until = _usual(now, shifts)
    elif until is None:
        until = latest
    elif since is None:
        raise HTTPException(422, english("from: say it too, where `to` is said"))
    until = min(until or latest, latest)
    if since is None or since >= until:
        raise HTTPException(422, english("`from` isn't before `to`, or nothing has happened yet then"))
    if since < 0:
        raise HTTPException(404, NOTHING)
    if until - since > LONGEST:
        raise HTTPException(422, english("`from` and `to` lie more than 31 days apart"))
    return _Meant(since, until, line)


def _usual(now: Instant, shifts: list[tuple[Instant, Instant]]) -> tuple[Instant, Instant]:
    return next((span for span in shifts if span[0] <= now - JUST_BEGUN), shifts[0])


def _ask(own: Behind, meant: _Meant) -> Progress | Json:
    try:
        return reviews_of(own).ask(meant.since, meant.until, meant.line)
    except NothingToReview as nothing:
        raise HTTPException(404, str(nothing)) from None
    except TooManyReviews as many:
        raise HTTPException(503, str(many), {"retry-after": "60"}) from None
    except NotReviewed as trouble:
        raise HTTPException(503, str(trouble), {"retry-after": "10"}) from None


def _making(meant: _Meant, progress: Progress | None) -> Json:
    return {
        "from": to_rfc3339(meant.since),
        "to": to_rfc3339(meant.until),
        "line": meant.line,
        "ready": progress is None,
        "entries": None if progress is None else progress.entries,
        "waits": None if progress is None else progress.waits,
    }


# The page


@pages.api_route("/review", methods=["GET", "HEAD"])
async def review_page(
    request: Request,
    own: Own,
    line: str | None = None,
    time: str | None = None,
    begin: str | None = None,
    end: str | None = None,
) -> Response:
    """``time`` is one of those offered (``from/to``), ``begin`` and ``end`` are by the plant's clocks."""
    lines = [str(each["line"]) for each in await anyio.to_thread.run_sync(own.reading.lines)]
    chosen = line if line in lines else None
    shown: Json = {"lines": lines, "line": chosen, "begin": begin or "", "end": end or ""}
    try:
        asked = _asked(request, time, begin, end)
        shown |= await anyio.to_thread.run_sync(_shown, request, own, asked, chosen)
    except HTTPException as refusal:
        shown |= {
            "trouble": refusal.detail,
            "spans": await anyio.to_thread.run_sync(_spans, request, own, chosen),
        }
    plain: Json = {"report": None, "making": None, "trouble": None, "time": time}
    return page(request, "review.html", **(plain | shown))


def _asked(
    request: Request, time: str | None, begin: str | None, end: str | None
) -> tuple[Instant, Instant] | None:
    zone = ZoneInfo(request.app.state.timezone)
    try:
        if begin and end:
            return from_clock(begin, zone), from_clock(end, zone)
        if time:
            since, _, until = time.partition("/")
            return schemas.read_moment(since), schemas.read_moment(until)
    except ValueError:
        raise HTTPException(422, english("that is no time")) from None
    return None


def _shown(request: Request, own: Behind, asked: tuple[Instant, Instant] | None, line: str | None) -> Json:
    shown: Json = {"spans": _spans(request, own, line)}
    if asked is None:
        return shown
    meant = _meant(own, *asked, line)
    found = _ask(own, meant)
    tell = Tell(language_of(request), ZoneInfo(request.app.state.timezone))
    shown |= {"query": meant.query, "span": tell.span(to_rfc3339(meant.since), to_rfc3339(meant.until))}
    if isinstance(found, Progress):
        return shown | {"making": _making(meant, found)}
    return shown | {
        "report": found,
        "heading": title(found, Tell.of(found, tell.language)),
        "body": body(found, tell.language, linked=True),
        "sheets": [name.removesuffix(".csv") for name in SHEETS],
    }


def _spans(request: Request, own: Behind, line: str | None) -> list[Json]:
    """The times to choose from; the first is what most ask for."""
    now, shifts = own.reading.recent(line)
    tell = Tell(language_of(request), ZoneInfo(request.app.state.timezone))
    usual = _usual(now, shifts)
    return [
        {
            "value": f"{to_rfc3339(since)}/{to_rfc3339(until)}",
            "name": tell.span(to_rfc3339(since), to_rfc3339(until)),
            "runs": until > now,
            "usual": (since, until) == usual,
        }
        for since, until in shifts
    ]


@pages.api_route("/static/review.css", methods=["GET", "HEAD"])
async def looks() -> Response:
    """What the report looks like, the same in the page as on paper."""
    sheets = "\n".join(style(name) for name in STYLES)
    return Response(sheets, media_type="text/css", headers={"cache-control": "no-cache"})
