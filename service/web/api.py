"""The HTTP face: puts the calls, the pages and the guard together behind one application."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import anyio
from fastapi import APIRouter, FastAPI
from prometheus_client import CONTENT_TYPE_LATEST
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import Response

from service.access import Door
from service.desk import Desk, Exchanging, LotReading, Playing, Reading
from service.domain.labels import LabelPattern
from service.incoming import Incoming
from service.outgoing import Outgoing, WaysOut
from service.overhearing import Overhearing
from service.phones import Phonebook
from service.reviewing import Reviewing
from service.sent import Budgeting
from service.tracing import Served
from service.web import (
    acts,
    audit,
    installed,
    outgoing,
    overheard,
    pages,
    phones,
    reads,
    schemas,
    sessions,
    signing,
    tongue,
)
from service.web import budget as budgets
from service.web import exchange as exchanges
from service.web import fetch as fetched
from service.web import gateways as ways_in
from service.web import handover as handed
from service.web import labels as read_labels
from service.web import lots as lotbook
from service.web import outlets as ways_out
from service.web import plan as plans
from service.web import replay as replays
from service.web import review as looked_back
from service.web import standstill as standstills
from service.web import supplies as named_supplies
from service.web import who as hearers
from service.web.answers import explain_failures, json_answer
from service.web.caller import may_read
from service.web.gate import Gate
from service.web.guard import Guard
from service.web.stream import Hub
from service.web.traced import Traced
from service.web.wiring import DESK_THREADS, Behind, Own

DESCRIPTION = """Which supply slot runs empty, how many panels from now, and who is on it.

Unknown numbers are `null`, never 0. Times are RFC 3339. `GET` never changes anything.
What goes over MQTT is described by `deploy/asyncapi.yaml`, for those who build a gateway by
`deploy/gateway-builders.md`."""

process = APIRouter(tags=["process"])


def create_app(
    *,
    reading: Reading,
    desk: Desk,
    hub: Hub,
    metrics: Callable[[], bytes],
    site: str,
    timezone: str,
    public_url: str | None,
    language: str = "en",
    languages: Path | None = None,
    tray: Outgoing | None = None,
    ways: WaysOut | None = None,
    incoming: Incoming | None = None,
    book: Phonebook | None = None,
    door: Door | None = None,
    budget: Budgeting | None = None,
    labels: tuple[LabelPattern, ...] = (),
    exchanging: Exchanging | None = None,
    lots: LotReading | None = None,
    reviews: Reviewing | None = None,
    playing: Playing | None = None,
    guest: Overhearing | None = None,
    session_check_seconds: float = 5.0,
    served: Callable[[Served], None] = lambda _: None,
) -> FastAPI:
    """The application. Whoever serves it calls ``hub.close()`` when it should stop: open streams would
    otherwise hold the server's shutdown until its timeout.

    What isn't given has no calls: without a ``tray`` there are none about deliveries, without ``ways`` about
    outlets, without ``incoming`` about gateways, without a ``book`` about phones, without ``exchanging``
    about exchanges, without ``lots`` about lots, without ``reviews`` about times that are over, without a
    ``guest`` about listening to a broker.
    Without a ``door`` everybody may do everything. ``served`` is told how each request ended. ``playing``:
    what is shown is a recording, with a bar on each page."""
    app = FastAPI(
        title="Earlybell",
        version="1",
        description=DESCRIPTION,
        docs_url=None,  # their pages load scripts from other hosts
        redoc_url=None,
        redirect_slashes=False,
        middleware=[
            Middleware(Traced, served=served),
            Middleware(Guard, public_url=public_url),
            Middleware(Gate, door=door, public_url=public_url),
            Middleware(GZipMiddleware, compresslevel=5),
        ],
    )
    app.state.site = site
    app.state.timezone = timezone
    app.state.language = language
    app.state.languages = languages
    app.state.replays = playing is not None
    app.state.behind = Behind(
        reading=reading,
        desk=desk,
        hub=hub,
        metrics=metrics,
        desk_threads=anyio.CapacityLimiter(DESK_THREADS),
        door=door,
        session_check_seconds=session_check_seconds,
        ways=ways,
        phones=book,
        budget=budget,
        labels=labels,
        exchanging=exchanging,
        lots=lots,
        reviews=reviews,
    )
    app.state.door = door
    app.state.public_url = public_url
    explain_failures(app)
    app.include_router(process)
    app.include_router(reads.router, tags=["reading"])
    app.include_router(budgets.router)
    app.include_router(handed.router)
    app.include_router(handed.pages)
    app.include_router(hearers.router)
    app.include_router(plans.router)
    app.include_router(fetched.router)
    app.include_router(read_labels.router)
    app.include_router(acts.router, tags=["changing"])
    app.include_router(named_supplies.router)
    app.include_router(named_supplies.pages)
    app.state.outgoing, app.state.incoming, app.state.guest = tray, incoming, guest
    for there, routers in (
        (lots, (lotbook.router, lotbook.pages)),
        (reviews, (standstills.router, standstills.pages, looked_back.router, looked_back.pages)),
        (exchanging, (exchanges.router, exchanges.pages)),
        (tray, (outgoing.router,)),
        (ways, (ways_out.router,)),
        (incoming, (ways_in.router, ways_in.pages)),
        (guest, (overheard.router, overheard.pages)),
        (book, (phones.router,)),
        (door, (audit.router, sessions.router, sessions.pages, signing.router)),
    ):
        if there is not None:
            for router in routers:
                app.include_router(router)
    if playing is not None:
        app.include_router(replays.router_of(playing))
    app.include_router(tongue.router)
    app.include_router(installed.router)
    pages.serve_pages(app)
    return app


@process.get("/healthz")
async def healthz() -> dict[str, bool]:
    """The process lives."""
    return {"alive": True}


@process.get("/readyz", response_model=schemas.Readiness, responses={503: {"model": schemas.Readiness}})
def readyz(request: Request, own: Own) -> Response:
    """This instance is the active one and broker, store and backlog are well; 503 with the reasons else."""
    reasons = own.reading.not_ready()
    told = reasons if may_read(request) or not reasons else ["whoever may read is told why"]
    return json_answer({"ready": not reasons, "reasons": told}, 503 if reasons else 200)


@process.get("/metrics", response_class=Response, responses={200: {"content": {"text/plain": {}}}})
def metrics(own: Own) -> Response:
    """Prometheus text."""
    return Response(own.metrics(), media_type=CONTENT_TYPE_LATEST)
