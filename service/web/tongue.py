"""In which language a page is: as chosen on the device, else as the browser asks, else as the site says.

A page gets its words with itself; its modules get the whole catalogue as a script of its own, because nothing
may stand inline.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable, Iterator
from functools import cache, partial
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
from fastapi import APIRouter
from markupsafe import Markup, escape
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service.domain.said import Said, put
from service.language import Language, languages, speak

COOKIE = "earlybell_language"
_WANTED = 10

router = APIRouter(include_in_schema=False, default_response_class=Response)


def language_of(request: Request) -> Language:
    """The language of whoever asks."""
    state = request.app.state
    known = languages(state.languages)
    wanted = [request.cookies.get(COOKIE, ""), *_accepted(request.headers.get("accept-language", ""))]
    return speak(next(_matches(wanted, known), state.language), state.languages)


def speaking(request: Request) -> dict[str, object]:
    """What a template needs to speak: the language, its words, and those one may choose."""
    language, own = language_of(request), request.app.state.languages
    return {
        "language": language,
        "t": words_of(language),
        "message_of": partial(message_of, language, ZoneInfo(request.app.state.timezone)),
        "tongues": [(tag, speak(tag, own).name) for tag in languages(own)],
        "chosen": request.cookies.get(COOKIE, ""),
    }


def words_of(language: Language) -> Callable[..., Markup]:
    """``t("Line {line}", line=…)`` for a template: text and values are text, unless they are ``Markup``."""

    def t(text: str, /, **values: object) -> Markup:
        return escape(language.text(text)).format(**values)

    return t


def message_of(language: Language, zone: ZoneInfo, notice: dict[str, Any]) -> str:
    """What a notice as the API gives it says."""
    said = notice.get("said")
    return notice["message"] if said is None else put(msgspec.convert(said, Said), zone, language)


@router.api_route("/static/words/{tag}.js", methods=["GET", "HEAD"])
async def words(request: Request, tag: str) -> Response:
    """A language's catalogue for the page's modules."""
    own = request.app.state.languages
    if tag not in languages(own):
        raise HTTPException(404)
    script, etag = _script(tag, own)
    headers = {"etag": etag, "cache-control": "no-cache"}
    if etag in request.headers.get("if-none-match", ""):
        return Response(status_code=304, headers=headers)
    return Response(script, headers=headers, media_type="text/javascript")


@cache
def _script(tag: str, own: Path | None) -> tuple[bytes, str]:
    language = speak(tag, own)
    catalogue = {"texts": dict(language.texts), "plurals": language.plurals()}
    script = f"globalThis.earlybellWords = {json.dumps(catalogue, ensure_ascii=False)};\n".encode()
    return script, f'"{hashlib.sha256(script).hexdigest()[:32]}"'


def _accepted(header: str) -> Iterable[str]:
    """The tags of an ``Accept-Language`` header (RFC 9110, 12.5.4), the most wanted first."""
    ranked = []
    for place, each in enumerate(header.split(",")[:_WANTED]):
        tag, _, weight = each.partition(";")
        try:
            quality = float(weight.strip().removeprefix("q=") or 1)
        except ValueError:
            continue
        if quality > 0:
            ranked.append((-quality, place, tag.strip()))
    return [tag for _, _, tag in sorted(ranked)]


def _matches(wanted: Iterable[str], known: Iterable[str]) -> Iterator[str]:
    """Those known that fit one wanted, itself or by language: ``de`` for ``de-AT``, ``pt-BR`` for ``pt``."""
    for each in wanted:
        tag = each.lower()
        for fits in (str.__eq__, lambda ours, theirs: ours.split("-")[0] == theirs.split("-")[0]):
            yield from (own for own in known if tag and fits(own.lower(), tag))
