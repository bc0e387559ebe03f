"""A small plant in memory behind the reading and desk ports, for tests of what stands in front of them.

It is a working thing: counting panels moves its forecasts, loading closes notices, and both are published.
The plant, its parts and its people are invented. Run as a module it serves the page for a look:
``python -m tests.support.floor [port]``.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from threading import Event, RLock, Thread
from typing import Any

import msgspec
import uvicorn
from fastapi import FastAPI

from service.access import Door
from service.desk import Conflict, Unfit
from service.domain.calendar import shift_at
from service.domain.explain import Figures, Why
from service.domain.history import Record
from service.domain.labels import LabelPattern
from service.domain.model import SECOND, Instant, Notice, Spread, from_datetime, to_rfc3339
from service.domain.policy import Policy
from service.domain.recent import recent
from service.domain.said import Said, put
from service.domain.who import WEEK, spans, who
from service.incoming import Incoming
from service.overhearing import Overhearing
from service.phones import Phonebook
from service.reviewing import Reviewing
from service.usecases.budget import Budget
from service.usecases.handover import AROUND_ITS_END, assemble, turn_of
from service.usecases.told import record_object, span_objects, who_object
from service.web.api import create_app
from service.web.stream import Hub
from tests.support.cupboard import TRAY, Cupboard, opened_since
from tests.support.lotbook import LateBook
from tests.support.office import Office
from tests.support.past import LEARNED
from tests.support.phones import MemoryPhones, book_of
from tests.support.reports import Ready
from tests.support.sent import HEARING, MemorySent
from tests.support.shelf import Shelf
from tests.support.wait import eventually

SITE = "Ferrow plant"
TIMEZONE = "Europe/Vienna"
TAKT_SECONDS = 24
START = from_datetime(datetime(2026, 3, 2, 6, 14, 7, tzinfo=UTC))


@dataclass(slots=True, kw_only=True)
class Place:
    """One slot: how much is in it and how far that may be wrong. ``left`` ``None``: unknown."""

    line: str
    station: str
    slot: str
    part: str | None
    kind: str | None = "tape"
    usage: float | None = 4
    left: int | None = 0
    doubt: int = 0
    as_of: Instant = START
    empty: bool = False
    assumed: bool = False
    needed: int | None = 210
    stale: Instant | None = None
    short: int = 0
    floor_life: dict[str, object] | None = None
    tray: dict[str, object] | None = None

    @property
    def panels(self) -> Spread[int] | None:
        if self.left is None or not self.usage:
            return None
        low, high = max(0, self.left - self.doubt), self.left + self.doubt
        return Spread(*(int(parts // self.usage) for parts in (low, self.left, high)))

    @property
    def state(self) -> str:
        panels = self.panels
        if self.empty:
            return "empty"
        if self.usage == 0:
            return "idle"
        if panels is None:
            return "unknown"
        if self.needed is not None and panels.p05 >= self.needed:
            return "ok"
        return "urgent" if panels.p05 <= 3 else "due" if panels.p05 <= 10 else "ok"

    @property
    def empty_at(self) -> Spread[str] | None:
        panels = self.panels
        if panels is None:
            return None
        times = [
            to_rfc3339(self.as_of + n * TAKT_SECONDS * SECOND) for n in (panels.p05, panels.p50, panels.p95)
        ]
        return Spread(*times)

    @property
    def order_short(self) -> dict[str, object] | None:
        if self.needed is None or self.panels is None:
            return None
        order = "B-2214" if self.short else None
        return {"parts": self.short, "chance": float(self.short > 0), "order": order, "panels": self.needed}

    def as_json(self) -> dict[str, object]:
        left, doubt = self.left, self.doubt
        remaining = None if left is None else _remaining(left, doubt)
        return {
            "line": self.line,
            "station": self.station,
            "slot": self.slot,
            "kind": self.kind,
            "part": self.part,
            "lot": "A77" if self.part else None,
            "remaining": remaining,
            "usage_per_panel": self.usage,
            "usage_source": "none" if self.usage is None else "recipe",
            "loss_rate": 0.0021 if left is not None else None,
            "panels_to_empty": msgspec.to_builtins(self.panels),
            "empty_at": msgspec.to_builtins(self.empty_at),
            "lead_panels": 10,
            "chance": None if self.panels is None else float(self.state in {"due", "urgent", "empty"}),
            "state": self.state,
            "as_of": to_rfc3339(self.as_of),
            "source": "mqtt",
            "stale_since": None if self.stale is None else to_rfc3339(self.stale),
            "boundary_only": self.kind == "tray",
            "assumed": self.assumed,
            "urgent_panels": 3,
            "supply": None,
            "notice": None,
            "order_panels_left": self.needed,
            "order_short": self.order_short,
            "floor_life": self.floor_life,
            "tray": self.tray,
            "counted": {"session": "b3c1", "seq": 4182, "panels": 1042},
        }


def _remaining(left: int, doubt: int) -> dict[str, object]:
    return {"book": left, "low": max(0, left - doubt), "expected": float(left), "high": left + doubt}


def _seed() -> list[Place]:
    def p1(slot: str, part: str | None, **more: Any) -> Place:
        return Place(line="L3", station="P1", slot=slot, part=part, **more)

    def p2(slot: str, part: str | None, **more: Any) -> Place:
        return Place(line="L3", station="P2", slot=slot, part=part, **more)

    return [
        p1("F07", "R-10K-0402", usage=18, left=162, doubt=40),
        p1("F08", "C-100N-0402", usage=22, left=4300, doubt=180),
        p1("F09", "R-470-0402", usage=6, left=258, doubt=25),
        p1("F11", "D-SIG-0603", usage=4, left=96, doubt=20),
        p1("F12", "L-4U7-0805", usage=2, left=None),
        p1("F15", "C-10U-0805", usage=0, left=900),
        p2("T1", "MCU-48Q", kind="tray", usage=1, left=38),
        p2(
            "T2", "RF-SHIELD-22", kind="tray", usage=1, left=2, floor_life=opened_since(START, 167), tray=TRAY
        ),
        p2("S1", "CONN-12W", kind="stick", usage=2, left=46, doubt=2),
        p2("F31", "XTAL-16M", usage=1, left=150, doubt=14, assumed=True),
        p2("F33", None, kind=None, usage=None, left=None),
    ]


class Floor:
    """The plant. ``broken`` is raised by every call while it is set; ``ails`` is why it isn't ready."""

    def __init__(self, hub: Hub, places: Sequence[Place] | None = None) -> None:
        self.hub = hub
        self.places = list(_seed() if places is None else places)
        self.notes: dict[str, Notice] = {}
        self.broken: Exception | None = None
        self.ails: list[str] = []
        self.records: list[Record] = []
        self.policy = Policy()
        self.taught = list(LEARNED)
        self.sent = MemorySent()
        self.shelf = Shelf(START)
        self.cupboard = Cupboard(START)
        self.budget = Budget(sent=self.sent, hearing=HEARING, clock=lambda: START)
        self.heard: list[tuple[str, str | None]] = []
        self.asked: list[tuple[object, ...]] = []
        self.journal = 3
        self.journal_read = 0
        self._lock = RLock()
        if places is None:
            self.warn("P2", "T2", level="urgent")
            self.warn("P1", "F07", level="early")

    # What the tests make happen on the floor.

    def place(self, station: str, slot: str, line: str = "L3") -> Place:
        for place in self.places:
            if (place.line, place.station, place.slot) == (line, station, slot):
                return place
        self.places.append(Place(line=line, station=station, slot=slot, part=None, left=None, usage=None))
        return self.places[-1]

    def run(self, panels: int = 1) -> None:
        """Panels pass through: every slot that is used gets emptier."""
        with self._lock:
            for place in self.places:
                if place.left is not None and place.usage:
                    place.left = max(0, place.left - int(panels * place.usage))
                    place.as_of += panels * TAKT_SECONDS * SECOND
                    self._publish("forecast", place.as_json())

    def warn(self, station: str, slot: str, *, level: str, line: str = "L3") -> Notice:
        """Open the slot's notice, or let the one it has get worse."""
        with self._lock:
            place = self.place(station, slot, line)
            notice = Notice(
                id=f"n-{line}-{station}-{slot}",
                kind="supply",
                line=line,
                station=station,
                slot=slot,
                part=place.part,
                supply_kind=place.kind,
                boundary_only=place.kind == "tray",
                level=level,
                state="open",
                opened_at=to_rfc3339(START + len(self.notes) * SECOND),
                changed_at=to_rfc3339(place.as_of),
                panels_to_empty=place.panels,
                empty_at=place.empty_at,
                message=f"{station} {slot}: {place.part} runs empty",
            )
            return self._keep(notice)

    def ask(self, station: str, slot: str, *, line: str = "L3") -> Notice:
        """A refill was seen that nobody reported: a person is asked."""
        with self._lock:
            place = self.place(station, slot, line)
            number = sum(notice.kind == "question" for notice in self.notes.values())
            at = to_rfc3339(place.as_of + number * SECOND)
            said = _question(line, station, slot)
            return self._keep(
                Notice(
                    id=f"q-{line}-{station}-{slot}",
                    kind="question",
                    line=line,
                    station=station,
                    slot=slot,
                    part=place.part,
                    supply_kind=place.kind,
                    boundary_only=place.kind == "tray",
                    level="early",
                    state="open",
                    opened_at=at,
                    changed_at=at,
                    panels_to_empty=None,
                    empty_at=None,
                    message=put(said, UTC),
                    said=said,
                )
            )

    def tell(self, notice: Notice) -> Notice:
        """Any other notice."""
        with self._lock:
            return self._keep(notice)

    # Reading

    def lines(self) -> list[dict[str, object]]:
        self._may_fail()
        return [self._line(line) for line in sorted({place.line for place in self.places})]

    def slots(self, line: str) -> list[dict[str, object]] | None:
        self._may_fail()
        with self._lock:
            rows = [place for place in self.places if place.line == line]
            return [place.as_json() for place in sorted(rows, key=_soonest)] or None

    def explained(self, line: str, station: str, slot: str) -> dict[str, object] | None:
        self._may_fail()
        with self._lock:
            at = (line, station, slot)
            found = [each for each in self.places if (each.line, each.station, each.slot) == at]
            return found[0].as_json() | {"why": msgspec.to_builtins(_why(found[0]))} if found else None

    def notices(
        self,
        *,
        states: Sequence[str] | None,
        limit: int,
        after: str | None,
        place: Mapping[str, str] | None = None,
    ) -> list[dict[str, object]]:
        self._may_fail()
        self.asked.append(("notices", states, limit, after))
        with self._lock:
            newest = sorted(
                self.notes.values(), key=lambda notice: (notice.opened_at, notice.id), reverse=True
            )
        ids = [notice.id for notice in newest]
        start = ids.index(after) + 1 if after in ids else 0
        wanted = states or ("open", "taken", "quiet")
        found = [msgspec.to_builtins(notice) for notice in newest[start:] if notice.state in wanted]
        return [notice for notice in found if (place or {}).items() <= notice.items()][:limit]

    def notice(self, notice_id: str) -> dict[str, object] | None:
        self._may_fail()
        found = self.notes.get(notice_id)
        return None if found is None else msgspec.to_builtins(found)

    def handover(self, *, line: str | None, hours: float) -> dict[str, object] | None:
        self._may_fail()
        names = sorted({place.line for place in self.places})
        if line is not None and line not in names:
            return None
        place = {} if line is None else {"line": line}
        at = max(place.as_of for place in self.places)
        with self._lock:
            return assemble(
                line=line,
                lines=[self._line(name) for name in names if line in {None, name}],
                slots=[each.as_json() for each in self.places if line in {None, each.line}],
                notices=self.notices(states=None, limit=1000, after=None, place=place),
                closed=self.notices(states=["closed"], limit=1000, after=None, place=place),
                at=at,
                turn=turn_of(shift_at(self.policy, line, at - AROUND_ITS_END), at),
                hours=hours,
            )

    def recent(self, line: str | None) -> tuple[Instant, list[tuple[Instant, Instant]]]:
        self._may_fail()
        at = max(place.as_of for place in self.places)
        return at, recent(self.policy, line, at)

    def refused(self, *, limit: int, after: int | None) -> list[dict[str, object]]:
        self._may_fail()
        seen = to_rfc3339(START)
        rows: list[dict[str, object]] = [
            {
                "id": id_,
                "topic": "floor/L3/P1/count",
                "reason": "`seq`: Expected `int`, got `str`",
                "payload": '{"seq": "12"}',
                "times": id_,
                "first_seen": seen,
                "last_seen": seen,
            }
            for id_ in range(5, 0, -1)
        ]
        return [row for row in rows if after is None or int(str(row["id"])) < after][:limit]

    def record(self) -> dict[str, object]:
        self._may_fail()
        broken = {note.about or "": note.id for note in self.notes.values() if note.kind == "promise"}
        return record_object(self.records, broken)

    def supplies(self, name: str | None = None) -> list[dict[str, object]]:
        self._may_fail()
        with self._lock:
            return self.cupboard.supplies(name)

    def learned(self, *, limit: int) -> list[dict[str, object]]:
        self._may_fail()
        return self.taught[:limit]

    def plan(self, line: str, *, panels: int) -> dict[str, object] | None:
        self._may_fail()
        known = any(place.line == line for place in self.places)
        return self.shelf.plan(line, self.places, panels=panels) if known else None

    def fetch(self, line: str, *, until: Instant | None, hours: float | None) -> dict[str, object] | None:
        self._may_fail()
        known = any(place.line == line for place in self.places)
        return self.shelf.fetch(line, self.places, until=until, hours=hours) if known else None

    def who(self, notice: Notice, *, at: Instant) -> dict[str, object]:
        self._may_fail()
        return who_object(who(self.policy, notice, at), at)

    def who_in_a_week(self, notice: Notice, *, at: Instant) -> list[dict[str, object]]:
        self._may_fail()
        return span_objects(spans(self.policy, notice, at, at + WEEK))

    def events(
        self, *, since: Instant | None, until: Instant | None, sealed: bool = False
    ) -> Iterator[bytes]:
        self._may_fail()
        self.asked.append(("events", since, until, sealed))
        for number in range(self.journal):
            self.journal_read += 1
            yield msgspec.json.encode(
                {
                    "specversion": "1.0",
                    "id": str(number),
                    "source": "/earlybell",
                    "type": "earlybell.state" if number == 0 else "earlybell.count",
                    "time": to_rfc3339(START + number * SECOND),
                }
            )

    def not_ready(self) -> list[str]:
        return self.ails

    # Desk

    def supply(
        self, line: str, station: str, slot: str, body: bytes, *, key: str | None
    ) -> dict[str, object]:
        self._may_fail()
        with self._lock:
            place = self.place(station, slot, line)
            said = msgspec.json.decode(body)
            if said["change"] == "joined" and place.left is None:
                raise Unfit(f"nothing is known to be loaded in {slot}, so nothing can be joined to it")
            if key is None or (body.decode(), key) not in self.heard:
                self._apply(place, said)
            self.heard.append((body.decode(), key))
            self._publish("forecast", place.as_json())
            return place.as_json()

    def readied(self, line: str, *, part: str, kind: str | None, supplies: int, by: str) -> dict[str, object]:
        self._may_fail()
        if line not in {place.line for place in self.places}:
            raise KeyError(line)
        return self.shelf.tick(line, part=part, kind=kind, supplies=supplies, by=by)

    def care(self, supply: str, body: bytes) -> dict[str, object]:
        self._may_fail()
        with self._lock:
            return self.cupboard.care(supply, body)

    def take(self, notice_id: str, *, by: str) -> dict[str, object]:
        notice = self._open(notice_id)
        if notice.taken_by not in {None, by}:
            raise Conflict(notice)
        return self._change(notice, state="taken", taken_by=by)

    def release(self, notice_id: str, *, by: str) -> dict[str, object]:
        return self._change(self._open(notice_id), state="open", taken_by=None)

    def quiet(
        self, notice_id: str, *, by: str, panels: int | None, until: Instant | None
    ) -> dict[str, object]:
        quiet_until = None if until is None else to_rfc3339(until)
        return self._change(
            self._open(notice_id), state="quiet", quiet_panels=panels, quiet_until=quiet_until
        )

    def close(self, notice_id: str, *, by: str, reason: str) -> dict[str, object]:
        self.asked.append(("close", notice_id, by, reason))
        return self._change(
            self._open(notice_id),
            state="closed",
            closed_by=by,
            closed_because="person",
            reason=reason,
            closed_at=to_rfc3339(START),
        )

    # Inside

    def _may_fail(self) -> None:
        if self.broken is not None:
            raise self.broken

    def _open(self, notice_id: str) -> Notice:
        self._may_fail()
        notice = self.notes[notice_id]
        if notice.state == "closed":
            raise Conflict(notice)
        return notice

    def _apply(self, place: Place, said: dict[str, Any]) -> None:
        place.part = said.get("part", place.part)
        place.kind = said.get("kind", place.kind)
        quantity = said.get("quantity")
        match said["change"]:
            case "joined":
                place.left = (place.left or 0) + (quantity or 0)
            case "removed":
                place.left = None
            case _:
                place.left = quantity if quantity is not None else 2000
        place.assumed = False
        because = "removed" if said["change"] == "removed" else "refilled"
        for letter in "nq":
            notice = self.notes.get(f"{letter}-{place.line}-{place.station}-{place.slot}")
            if notice is not None and notice.state != "closed":
                self._change(notice, state="closed", closed_because=because)

    def _change(self, notice: Notice, **changes: Any) -> dict[str, object]:
        with self._lock:
            changed = msgspec.structs.replace(notice, version=notice.version + 1, **changes)
            answer: dict[str, object] = msgspec.to_builtins(self._keep(changed))
            return answer

    def _keep(self, notice: Notice) -> Notice:
        self.notes[notice.id] = notice
        self._publish("notice", msgspec.to_builtins(notice))
        return notice

    def _publish(self, event: str, content: object) -> None:
        self.hub.publish(event, msgspec.json.encode(content))

    def _line(self, line: str) -> dict[str, object]:
        stations = sorted({place.station for place in self.places if place.line == line})
        return {
            "line": line,
            "order": {"order": "8842", "recipe": "gate-rev-c", "panels": 480, "state": "running"},
            "queued": ["8843"],
            "stations": [self._station(line, station) for station in stations],
        }

    def _station(self, line: str, station: str) -> dict[str, object]:
        low = any(
            notice.station == station and notice.line == line and notice.state != "closed"
            for notice in self.notes.values()
        )
        return {
            "station": station,
            "tower": {
                "lamps": {"red": "off", "yellow": "flashing" if low else "off", "green": "on"},
                "buzzer": "off",
                "slots": [],
                "reading": "low" if low else "running",
                "since": to_rfc3339(START),
            },
            "link": {"state": "online", "since": to_rfc3339(START - 3600 * SECOND)},
            "panels": 1042,
            "session": "b3c1",
            "seq": 4182,
            "order_done": 270,
            "order_done_estimated": False,
            "takt_seconds": float(TAKT_SECONDS),
            "uncertain_since": None,
            "clock_flagged": False,
            "as_of": to_rfc3339(max(place.as_of for place in self.places if place.station == station)),
            "source": "mqtt",
            "stale_since": None,
        }


def _question(line: str, station: str, slot: str) -> Said:
    return Said(
        "{where} was refilled and nobody said with what. How many parts were loaded?",
        {"where": f"{line} {station} {slot}"},
    )


def _why(place: Place) -> Why:
    known = place.left is not None
    figures = Figures(
        declared=(place.left or 0) + 400 if known else None,
        quantity_from=None if not known else "usual" if place.assumed else "label",
        counted_since=400 if known else None,
        shortage=None,
        loss_rate=0.0021,
        usual_loss_rate=0.005,
        losses_weighed=0.8,
        placements_weighed=380.5,
        unreported=0 if known else None,
        missing=0.0 if known else None,
        usage_per_panel=place.usage,
        usage_source="none" if place.usage is None else "recipe",
        shared_with=(),
        order_panels_left=place.needed,
        takt_seconds=float(TAKT_SECONDS),
        lead_panels=10,
        lead_minutes=None,
        urgent_panels=3,
        chance=None if place.panels is None else 0.0425,
        chance_limit=0.1,
        evidence=("declared", "placements", "losses", "order", "takt") if known else (),
        since=to_rfc3339(START - 3600 * SECOND) if known else None,
        last_count=to_rfc3339(place.as_of),
        session="b3c1",
        seq=4182,
        assumed=place.assumed,
    )
    said = _left(place), _takes(place)
    return Why(sentences=(put(said[0], UTC), put(said[1], UTC)), figures=figures, said=said)


def _left(place: Place) -> Said:
    if place.left is None:
        return Said("Nobody has said how many parts are loaded.")
    loaded = Said("Loaded with {parts} parts as declared", {"parts": place.left + 400})
    return Said(
        "{said}, {counted} were counted since: about {expected} are left{between}{doubts}.",
        {"said": loaded, "counted": 400, "expected": place.left, "between": "", "doubts": ""},
    )


def _takes(place: Place) -> Said:
    if place.usage is None:
        return Said("How many parts a panel takes is not known yet, so there is no forecast in panels.")
    return Said(
        "At {parts}",
        {"parts": Said("{number} part a panel", {"number": place.usage}, "{number} parts a panel")},
    )


def _soonest(place: Place) -> tuple[int, int, str, str]:
    panels = place.panels
    group = 2 if place.state == "idle" else 1 if panels is None else 0
    return group, panels.p50 if panels else 0, place.station, place.slot


def plant(
    hub: Hub | None = None,
    places: Sequence[Place] | None = None,
    *,
    door: Door | None = None,
    book: Phonebook | None = None,
    public_url: str | None = "https://bell.ferrow.example/",
    session_check_seconds: float = 5.0,
    office: Office | None = None,
    incoming: Incoming | None = None,
    guest: Overhearing | None = None,
    labels: tuple[LabelPattern, ...] = (),
    reviews: Reviewing | None = None,
) -> tuple[FastAPI, Floor]:
    """An application with a fresh plant behind it; without a ``door`` everybody may do everything, without an
    ``office`` there is no mail to see, without ``incoming`` no gateway, without a ``guest`` nobody listens.
    ``reviews``: of a time long ago unless others are given."""
    floor = Floor(Hub() if hub is None else hub, places)
    app = create_app(
        reading=floor,
        desk=floor,
        hub=floor.hub,
        metrics=lambda: b"earlybell_up 1\n",
        site=SITE,
        timezone=TIMEZONE,
        public_url=public_url,
        door=door,
        book=book or book_of(MemoryPhones()),
        budget=floor.budget,
        ways=office,
        incoming=incoming,
        guest=guest,
        tray=office,
        labels=labels,
        lots=LateBook(floor._may_fail),
        reviews=reviews or Ready(),
        session_check_seconds=session_check_seconds,
    )
    return app, floor


@contextmanager
def served(app: FastAPI, hub: Hub, *, port: int = 0) -> Iterator[str]:
    """The application behind a real server on a free port; gives its address."""
    server = uvicorn.Server(
        uvicorn.Config(app, host="127.0.0.1", port=port, log_level="warning", timeout_graceful_shutdown=3)
    )
    thread = Thread(target=server.run, name="served", daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{_port_of(server, thread)}"
    finally:
        hub.close()
        server.should_exit = True
        thread.join(10)
        if thread.is_alive():
            raise TimeoutError("the server did not stop within 10 s")


def _port_of(server: uvicorn.Server, thread: Thread) -> int:
    eventually(
        lambda: server.started or not thread.is_alive(),
        timeout=10,
        message="the server did not start",
        ignoring=(),
    )
    if not server.started:
        raise RuntimeError("the server ended instead of starting")
    port: int = server.servers[0].sockets[0].getsockname()[1]
    return port


def main() -> None:
    app, floor = plant()
    with served(app, floor.hub, port=int(sys.argv[1]) if len(sys.argv) > 1 else 0) as address:
        print(f"{SITE}: {address} (a panel every 5 s; Ctrl-C ends it)", flush=True)
        ended = Event()
        while not ended.wait(5):
            floor.run()


if __name__ == "__main__":
    main()
