"""The page as an app of its own: its manifest, the worker that hears the bell, what it shows without a
connection, and the page that sets a phone up.

Manifest, worker and the page without a connection are open to all: browsers fetch them without a session.
They say the site's name and nothing else of it.
"""

from __future__ import annotations

import hashlib
import json
from functools import cache
from pathlib import Path

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from service.language import languages
from service.web.answers import json_answer
from service.web.pages import modules_of, page
from service.web.tongue import language_of

_STATIC = Path(__file__).parent / "static"
_PLAIN = ("bell.svg", "hall.js", "page.css", "road.css", "phone.css")
_PAPER, _INK = "#eef0f1", "#14191d"

router = APIRouter(include_in_schema=False, default_response_class=Response)


@router.api_route("/phone", methods=["GET", "HEAD"])
async def phone(request: Request) -> Response:
    return page(request, "phone.html")


@router.api_route("/offline", methods=["GET", "HEAD"])
async def offline(request: Request) -> Response:
    """Kept on the device and shown when we can't be reached; so it names nobody."""
    return page(request, "offline.html", caller=None, may_read=False)


@router.api_route("/manifest.webmanifest", methods=["GET", "HEAD"])
async def manifest(request: Request) -> Response:
    site, language = request.app.state.site, language_of(request)
    answer = json_answer(
        {
            "id": "/",
            "name": f"Earlybell · {site}" if site else "Earlybell",
            "short_name": "Earlybell",
            "description": language.say("Which supply slot runs empty, how many panels from now."),
            "lang": language.tag,
            "dir": language.direction,
            "start_url": "/",
            "scope": "/",
            "display": "standalone",
            "background_color": _PAPER,
            "theme_color": _INK,
            "icons": [
                _icon("bell-192.png", "192x192"),
                _icon("bell-512.png", "512x512"),
                _icon("bell-maskable.png", "512x512", "maskable"),
                {"src": "/static/bell.svg", "sizes": "any", "type": "image/svg+xml"},
            ],
        }
    )
    answer.headers["content-type"] = "application/manifest+json"
    answer.headers["cache-control"] = "no-cache"
    return answer


@router.api_route("/sw.js", methods=["GET", "HEAD"])
async def worker(request: Request) -> Response:
    """At the root, because a worker serves what lies below its own address."""
    script = _worker(tuple(languages(request.app.state.languages)))
    return Response(script, media_type="text/javascript", headers={"cache-control": "no-cache"})


def _icon(name: str, sizes: str, purpose: str = "any") -> dict[str, str]:
    return {"src": f"/static/{name}", "sizes": sizes, "type": "image/png", "purpose": purpose}


@cache
def _worker(tags: tuple[str, ...]) -> str:
    """The worker behind what it keeps for the page without a connection. Its text changes when one of these
    does: that is how browsers learn of it."""
    files = [*_PLAIN, *modules_of("offline.js")]
    shell = ["/offline", *(f"/static/{name}" for name in files)]
    shell += [f"/static/words/{tag}.js" for tag in tags if tag != "en"]
    mark = hashlib.sha256(b"\0".join((_STATIC / name).read_bytes() for name in files)).hexdigest()[:16]
    head = f"const SHELL = {json.dumps(shell)};\nconst VERSION = {json.dumps(mark)};\n"
    return head + (_STATIC / "sw.js").read_text(encoding="utf-8")
