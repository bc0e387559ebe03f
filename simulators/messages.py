"""From what happens on a simulated line to the messages of its gateways: topics, JSON, what is retained.

Pure: the same events, run name and clock give the same bytes. A gateway numbers its counts and names
sessions, orders and supply ids after its run, so that a second run is never mistaken for repeats of the
first.
"""

from __future__ import annotations

import hashlib
import json
from abc import ABC, abstractmethod
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, ClassVar, assert_never

from simulators.events import (
    Confirmed,
    Counted,
    Event,
    InHand,
    OrderSet,
    PanelMade,
    PanelPulled,
    PersonSent,
    PlanOpened,
    RecipeSet,
    Refilled,
    StandsReady,
    Stopped,
    Supplied,
    SupplyEnded,
    TowerShown,
)


@dataclass(frozen=True, slots=True)
class Message:
    """``says`` and ``by`` tell the kind and the station of a message in another format than our own, whose
    topics tell it."""

    topic: str
    payload: bytes
    retain: bool = False
    qos: int = 1
    says: str = ""
    by: str | None = None

    @property
    def kind(self) -> str:
        """``count``, ``supply``, ``tower``, ``link``, ``recipe`` or ``order``."""
        words = self.topic.split("/")
        return self.says or (words[-1] if words[-1] in _LAST_WORDS else words[-2])

    @property
    def station(self) -> str | None:
        """``None`` for what is said of the whole line."""
        if self.says or self.kind == "order":
            return self.by
        return self.topic.rsplit(f"/{self.kind}", 1)[0].rsplit("/", 1)[1]


_LAST_WORDS = {"count", "supply", "tower", "link"}


def rfc3339(moment: datetime) -> str:
    """``2026-03-02T06:14:07.250Z``: milliseconds, UTC."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def encode_json(value: object) -> bytes:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")).encode()


class Speaker(ABC):
    """The gateways of one line, in one format. ``stamp`` turns the line's seconds into a moment, RFC 3339;
    ``ahead`` are the seconds by which the gateways' clocks are ahead of it, by station (``None``: of what is
    said of the whole line); ``silent`` are the kinds of message that they never say.

    ``root`` is the first level of its topics; ``blinks`` is what a lamp takes for a second of its own in
    seconds of the line. ``by_line``: one connection speaks for the whole line, else each station has its own.
    """

    by_line: ClassVar[bool] = False
    source: ClassVar[str]
    """The ``[[source]]`` of the service's configuration that understands it, where ROOT is its root."""

    def __init__(
        self,
        line: str,
        *,
        run: str,
        stamp: Callable[[float], str],
        root: str = "floor",
        ahead: Mapping[str | None, float] | None = None,
        silent: Collection[str] = (),
        blinks: float = 1.0,
    ) -> None:
        self._root = root
        self._blinks = blinks
        self._line = line
        self._run = run
        self._stamp = stamp
        self._ahead = ahead or {}
        self._silent = silent

    def encode(self, event: Event) -> list[Message]:
        """The messages that say it; none for what only the ledger may know."""
        return [each for each in self._encode(event) if each.kind not in self._silent]

    @abstractmethod
    def _encode(self, event: Event) -> list[Message]: ...

    @abstractmethod
    def greet(self, station: str, at: float) -> list[Message]:
        """What is said at every connection."""

    @abstractmethod
    def will(self, station: str) -> Message:
        """What the broker says when the connection that is made now breaks."""

    @abstractmethod
    def leave(self, station: str, at: float) -> list[Message]:
        """The last words of a connection that is ended in an orderly way."""

    def farewell(self, at: float) -> list[Message]:
        """The line is given up: what is retained of its orders must not stay."""
        return []

    def next_moment(self) -> float | None:
        """The line's second at which it says something of itself."""
        return None

    def tick(self, to: float) -> list[Message]:
        """What it says of itself up to then."""
        return []

    def commands(self) -> str | None:
        """The topic filter of what it obeys."""
        return None

    def obey(self, topic: str, payload: bytes, at: float) -> list[Message]:
        """What it answers to a command."""
        return []

    def _moment(self, station: str | None, at: float) -> datetime:
        """By the clock of that gateway."""
        return datetime.fromisoformat(self._stamp(at)) + timedelta(seconds=self._ahead.get(station, 0.0))

    def _name(self, *of: object) -> str:
        return hashlib.sha256("/".join(map(str, (self._run, self._line, *of))).encode()).hexdigest()

    def _supply_name(self, supply: str) -> str:
        """Supplies go from line to line, so their names are the plant's: the run's, without the line."""
        return f"{supply}-{hashlib.sha256(self._run.encode()).hexdigest()[:4]}"

    def _order_name(self, number: int) -> str:
        return f"{int(self._name('orders')[:4], 16) + 10_000}-{number:02d}"


class Gateway(Speaker):
    """In our own format."""

    source = """\
[[source]]
name = "native"
format = "native"
root = "ROOT"
"""

    def __init__(self, line: str, **words: Any) -> None:
        super().__init__(line, **words)
        self._prefix = f"{self._root}/{line}"
        self._seq: dict[tuple[str, str], int] = {}
        self._supplies = 0
        self._open: dict[int, OrderSet] = {}
        self._closed: list[str] = []

    def _encode(self, event: Event) -> list[Message]:
        match event:
            case Counted():
                return [self._count(event)]
            case Supplied():
                return [self._supply(event)]
            case TowerShown():
                return [self._tower(event)]
            case RecipeSet():
                return [self._recipe(event)]
            case OrderSet():
                return self._order(event)
            case PersonSent() | Refilled() | Confirmed():
                return []
            case PanelMade() | PanelPulled() | Stopped() | SupplyEnded():
                return []
            case PlanOpened() | InHand() | StandsReady():
                return []
        assert_never(event)

    def greet(self, station: str, at: float) -> list[Message]:
        return [self.link(station, "online", at=self._at(station, at))]

    def will(self, station: str) -> Message:
        return self.link(station, "offline")

    def leave(self, station: str, at: float) -> list[Message]:
        return [self.link(station, "offline", at=self._at(station, at))]

    def link(self, station: str, state: str, *, at: str | None = None) -> Message:
        """Retained. A last will carries no ``at``: it is written long before it comes true."""
        body: dict[str, object] = {"at": at} if at else {}
        return Message(f"{self._prefix}/{station}/link", encode_json({**body, "state": state}), retain=True)

    def farewell(self, at: float) -> list[Message]:
        """The line is given up: its orders are withdrawn, and no retained order is left on the broker."""
        if "order" in self._silent:
            return []
        withdrawn = [self._order_message(order, "withdrawn", at) for order in self._open.values()]
        topics = [*self._closed, *(message.topic for message in withdrawn)]
        return withdrawn + [Message(topic, b"", retain=True) for topic in topics]

    def _count(self, event: Counted) -> Message:
        life = event.station, event.life
        seq = self._seq[life] = self._seq.get(life, 0) + 1
        slots = {name: {"placed": placed, "lost": lost} for name, (placed, lost) in event.slots.items()}
        body: dict[str, object] = {
            "at": self._at(event.station, event.at),
            "session": event.life or self._name("session", event.station)[:8],
            "seq": seq,
            "panels": event.panels,
            "slots": slots,
        }
        return Message(f"{self._prefix}/{event.station}/count", encode_json(body))

    def _supply(self, event: Supplied) -> Message:
        self._supplies += 1
        body: dict[str, object] = {
            "at": self._at(event.station, event.moment),
            "id": self._name("supply", self._supplies)[:16],
            "slot": event.slot,
            "change": event.change,
            "kind": event.kind,
            "part": event.part,
            "lot": event.lot,
            "supply": self._supply_name(event.supply),
            "quantity": event.quantity,
            "by": event.by,
        }
        if event.kind == "tray":
            body["trays"] = event.trays
        return Message(f"{self._prefix}/{event.station}/supply", encode_json(body))

    def _tower(self, event: TowerShown) -> Message:
        tower = event.tower
        body: dict[str, object] = {
            "at": self._at(event.station, event.at),
            "lamps": {"red": tower.red, "yellow": tower.yellow, "green": tower.green},
            "buzzer": tower.buzzer,
            "slots": list(tower.slots),
        }
        return Message(f"{self._prefix}/{event.station}/tower", encode_json(body))

    def _recipe(self, event: RecipeSet) -> Message:
        body: dict[str, object] = {
            "at": self._at(event.station, event.at),
            "recipe": event.recipe,
            "boards_per_panel": event.boards_per_panel,
            "usage": dict(event.usage),
            "parts": dict(event.parts),
            "alternates": [list(group) for group in event.alternates],
            "active": event.active,
        }
        topic = f"{self._prefix}/{event.station}/recipe/{event.recipe}"
        return Message(topic, encode_json(body), retain=True)

    def _order(self, event: OrderSet) -> list[Message]:
        """Its own retained topic; a finished one is cleared away when the next has finished."""
        message = self._order_message(event, event.state, event.at)
        if event.state != "finished":
            self._open[event.number] = event
            return [message]
        del self._open[event.number]
        old, self._closed = self._closed, [message.topic]
        return [message, *(Message(topic, b"", retain=True) for topic in old)]

    def _order_message(self, order: OrderSet, state: str, at: float) -> Message:
        name = self._order_name(order.number)
        body: dict[str, object] = {
            "at": self._at(None, at),
            "order": name,
            "recipe": order.recipe,
            "panels": order.panels,
            "state": state,
        }
        return Message(f"{self._prefix}/order/{name}", encode_json(body), retain=True)

    def _at(self, station: str | None, at: float) -> str:
        return rfc3339(self._moment(station, at))
