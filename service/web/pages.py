"""The page for people: a server-rendered shell; its modules fetch everything else from the API.

A GET shows and never acts, so links in a chat or a mail may be opened by any preview or scanner.
"""

from __future__ import annotations

import re
import unicodedata
from functools import cache
from pathlib import Path

import anyio
from fastapi import APIRouter, FastAPI
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.staticfiles import StaticFiles
from starlette.templating import Jinja2Templates

from service.language import english
from service.web.answers import problem
from service.web.caller import caller_of, may_read
from service.web.tongue import speaking
from service.web.wiring import Own

_HERE = Path(__file__).parent
_IMPORT = re.compile(r"""(?:from|import) "\./([a-z]+\.js)";""")


@cache
def modules_of(entry: str) -> list[str]:
    """``entry`` and every module it needs: named in the page, they are fetched at once, not one by one."""
    found, waiting = {entry}, [entry]
    while waiting:
        named = set(_IMPORT.findall((_HERE / "static" / waiting.pop()).read_text(encoding="utf-8")))
        waiting += named - found
        found |= named
    return sorted(found)


_templates = Jinja2Templates(directory=_HERE / "templates")
_templates.env.globals["modules_of"] = modules_of

router = APIRouter(include_in_schema=False, default_response_class=Response)


@router.api_route("/", methods=["GET", "HEAD"])
async def road_ahead(request: Request) -> Response:
    return page(request, "index.html")


@router.api_route("/notice/{notice_id}", methods=["GET", "HEAD"])
async def one_notice(request: Request, notice_id: str, own: Own) -> Response:
    if not may_read(request):
        # The same whether there is such a notice or not.
        return page(request, "link.html", notice_id=notice_id)
    notice = await anyio.to_thread.run_sync(own.reading.notice, notice_id)
    if notice is None:
        return page(request, "lost.html", status=404)
    return page(request, "notice.html", notice=notice)


@router.api_route("/line/{line}/station/{station}/slot/{slot}", methods=["GET", "HEAD"])
async def one_slot(request: Request, line: str, station: str, slot: str, own: Own) -> Response:
    line, station, slot = (unicodedata.normalize("NFC", name) for name in (line, station, slot))
    slots = await anyio.to_thread.run_sync(own.reading.slots, line)
    if not any((each["station"], each["slot"]) == (station, slot) for each in slots or []):
        return page(request, "lost.html", status=404)
    return page(request, "slot.html", line=line, station=station, slot=slot)


@router.api_route("/who", methods=["GET", "HEAD"])
async def who(request: Request) -> Response:
    return page(request, "who.html")


@router.api_route("/plan", methods=["GET", "HEAD"])
async def plan(request: Request) -> Response:
    return page(request, "plan.html")


@router.api_route("/fetch", methods=["GET", "HEAD"])
async def fetch(request: Request) -> Response:
    return page(request, "fetch.html")


@router.api_route("/record", methods=["GET", "HEAD"])
async def record(request: Request) -> Response:
    return page(request, "record.html")


@router.api_route("/budget", methods=["GET", "HEAD"])
async def budget(request: Request) -> Response:
    return page(request, "budget.html")


@router.api_route("/outlets", methods=["GET", "HEAD"])
async def outlets(request: Request) -> Response:
    return page(request, "outlets.html")


@router.api_route("/history", methods=["GET", "HEAD"])
async def history(request: Request, own: Own, line: str | None = None) -> Response:
    names = [each["line"] for each in await anyio.to_thread.run_sync(own.reading.lines)]
    return page(request, "history.html", lines=names, line=line if line in names else None)


def serve_pages(app: FastAPI) -> None:
    """Add the pages, their static files, and an answer for people who took a wrong turn."""
    app.include_router(router)
    app.mount("/static", _Static(directory=_HERE / "static"), name="static")

    @app.exception_handler(404)
    async def lost(request: Request, error: HTTPException) -> Response:
        wants_page = "text/html" in request.headers.get("accept", "")
        if wants_page and not request.url.path.startswith("/api/"):
            return page(request, "lost.html", status=404)
        return problem(404, english("no such page or call") if error.detail == "Not Found" else error.detail)


class _Static(StaticFiles):
    """Files with an ETag that a browser asks about each time: an update shows at the next load."""

    async def get_response(self, path: str, scope: dict[str, object]) -> Response:  # type: ignore[override]
        response = await super().get_response(path, scope)
        response.headers["cache-control"] = "no-cache"
        return response


def page(request: Request, name: str, *, status: int = 200, **context: object) -> Response:
    site: dict[str, object] = {"site": request.app.state.site, "timezone": request.app.state.timezone}
    site["replays"] = request.app.state.replays
    site |= speaking(request)
    site["caller"], site["may_read"] = caller_of(request), may_read(request)
    answer = _templates.TemplateResponse(request, name, site | context, status_code=status)
    if name == "signin.html" or site["caller"] is not None:
        # Browsers send `Origin: null` with the forms of a page that names no referrer even to itself.
        answer.headers["referrer-policy"] = "same-origin"
    return answer
