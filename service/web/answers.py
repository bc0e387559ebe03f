"""How an answer is written: JSON as the ports give it, and each failure as a status with a sentence.

The only place that knows which failure has which status. Every error body is ``{"detail": …}``, except the
409 about a notice, which is the notice as it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec
from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from pydantic import ValidationError
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response

from service.desk import Busy, Conflict, Declined, OnlyShown, Unattended, Unfit
from service.language import english
from service.ports import StoreError
from service.web.guard import SECURITY_HEADERS
from service.web.schemas import Problem
from service.web.stream import HubFullError

RETRY_AFTER = {"retry-after": "2"}
AWAY = english("the store can't be reached just now; ask the same again shortly")
UNFIT: dict[int | str, dict[str, Any]] = {422: {"model": Problem, "description": "what is wrong"}}
LATER: dict[int | str, dict[str, Any]] = {
    503: {"model": Problem, "description": "not just now; try the same again after `Retry-After` seconds"}
}
UNKNOWN: dict[int | str, dict[str, Any]] = {404: {"model": Problem, "description": "no such thing"}}


def json_answer(content: object, status: int = 200, headers: dict[str, str] | None = None) -> Response:
    return Response(msgspec.json.encode(content), status, headers, media_type="application/json")


def problem(status: int, detail: str, headers: dict[str, str] | None = None) -> Response:
    return json_answer({"detail": detail}, status, headers)


def in_words(errors: Sequence[Any]) -> str:
    """Validation errors as one sentence each: where, then what."""
    return "; ".join(_in_words(error) for error in errors)


def _in_words(error: Any) -> str:
    where = ".".join(str(part) for part in error["loc"] if part not in ("body", "query", "path", "header"))
    what = error["msg"].removeprefix("Value error, ")
    return f"{where}: {what}" if where else what


def explain_failures(app: FastAPI) -> None:
    """Teach ``app`` the status of each failure."""
    _explain_conflicts(app)

    @app.exception_handler(RequestValidationError)
    @app.exception_handler(ValidationError)
    async def unfit_request(_: Request, error: RequestValidationError | ValidationError) -> Response:
        return problem(422, in_words(error.errors()))

    @app.exception_handler(Unfit)
    async def unfit(_: Request, error: Unfit) -> Response:
        return problem(422, str(error))

    @app.exception_handler(Busy)
    async def busy(_: Request, error: Busy) -> Response:
        detail = english(
            "not stored yet; it may still happen. Ask the same again, with the same Idempotency-Key"
        )
        return problem(503, detail, RETRY_AFTER)

    @app.exception_handler(Unattended)
    async def unattended(_: Request, error: Unattended) -> Response:
        detail = english("no instance is in charge of that line: nothing was changed. Ask again when one is")
        return problem(503, detail, RETRY_AFTER)

    @app.exception_handler(StoreError)
    async def store_down(_: Request, error: StoreError) -> Response:
        return problem(503, AWAY, RETRY_AFTER)

    @app.exception_handler(HubFullError)
    async def full(_: Request, error: HubFullError) -> Response:
        return problem(503, str(error), RETRY_AFTER)

    @app.exception_handler(ClientDisconnect)
    async def gone(_: Request, error: ClientDisconnect) -> Response:
        """Nobody reads it; without it, anybody could fill the log with defects that are none."""
        return problem(400, "the body ended before its end")

    @app.exception_handler(HTTPException)
    async def plain(_: Request, error: HTTPException) -> Response:
        return problem(error.status_code, error.detail, dict(error.headers or {}))

    @app.exception_handler(Exception)
    async def defect(request: Request, error: Exception) -> Response:
        detail = english("a defect in this program; its log names it")
        followed = {"x-request-id": request.state.request}
        return problem(500, detail, {**SECURITY_HEADERS, **followed, "cache-control": "no-store"})


def _explain_conflicts(app: FastAPI) -> None:
    @app.exception_handler(OnlyShown)
    async def only_shown(_: Request, error: OnlyShown) -> Response:
        return problem(409, english("this is a replay of a recording: one can look, but do nothing here"))

    @app.exception_handler(Conflict)
    async def conflict(_: Request, error: Conflict) -> Response:
        return json_answer(error.notice, 409)

    @app.exception_handler(Declined)
    async def declined(_: Request, error: Declined) -> Response:
        return json_answer({"detail": str(error), "verdict": error.verdict, "said": error.said}, 409)
