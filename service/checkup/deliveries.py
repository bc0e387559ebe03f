"""How what was sent has fared, as the store has kept it: outlets that fail, deliveries that were given up."""

from __future__ import annotations

from collections.abc import Iterator

from service.checkup.case import Case
from service.checkup.finding import Finding, good, look, wrong
from service.domain.model import to_datetime
from service.outgoing import OutletRow
from service.ports import StoreError
from service.ways import Ways

AREA = "deliveries"


def deliveries(case: Case) -> Iterator[Finding]:
    store = case.store()
    if store is None or not case.settings.outlets:
        return
    ways = Ways(
        settings=case.settings,
        port=case.settings.web.port,
        outbox=store.outbox,
        archive=store.archive,
        phones=store.phones,
        clock=case.clock,
    )
    try:
        rows = ways.rows()
    except StoreError:
        return
    troubled = [each for row in rows for each in _judged(row)]
    yield from troubled
    if not troubled:
        waiting = sum(row.waiting for row in rows)
        yield good(AREA, f"no outlet fails, {waiting} wait to be sent")


def _judged(row: OutletRow) -> Iterator[Finding]:
    if row.state in ("failing", "gone"):
        since = "" if row.since is None else f" since {to_datetime(row.since):%Y-%m-%d %H:%M} UTC"
        why = f": {row.error}" if row.error else ""
        yield wrong(
            AREA,
            f"outlet {row.name} fails{since}{why}; {row.waiting} wait",
            f"mend what it leads to, then try `earlybell outlets --test {row.name}`",
        )
    elif row.state == "paused":
        yield look(
            AREA,
            f"outlet {row.name} has asked us to wait; {row.waiting} do",
            "nothing: what waits is sent by itself",
        )
    if row.dead:
        yield look(
            AREA,
            f"outlet {row.name}: {row.dead} were given up",
            "see them on the page of the outlets; from there they can be sent again",
        )
