"""The journal as CloudEvents, one JSON object a line, and back; and an entry back to the event it records.

The first line of an export is the state it starts from. Nothing is lost on the way: a message's own JSON
goes through byte for byte (white space aside), moments to the microsecond."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple, TypeVar
from urllib.parse import quote, unquote

import msgspec

from service.domain.events import (
    Checked,
    Elsewhere,
    GatewayReport,
    JournalEntry,
    Message,
    OutletReport,
    PersonAct,
    PlanKept,
    Readied,
    Refusals,
    SupplyCare,
    TimePassed,
    When,
)
from service.domain.history import Learned, Record
from service.domain.lots import SlotStays, StationRun
from service.domain.model import Instant, from_rfc3339, to_datetime
from service.domain.state import LineState, Standing, StationState, SupplyState
from service.domain.word import HeardOf
from service.wire.native import Address, Misfit, read_message

T = TypeVar("T")
TYPE = "earlybell."
STATE_TYPE = TYPE + "state"
MANIFEST_TYPE = TYPE + "manifest"
FLOOR = frozenset({"count", "supply", "recipe", "order", "tower", "link"})
"""Kinds of entries that tell what the floor said."""


class StartState(msgspec.Struct):
    """Everything remembered before entry ``position``."""

    position: int
    at: Instant
    policy: msgspec.Raw
    lines: list[LineState] = []
    stations: list[StationState] = []
    supplies: list[SupplyState] = []
    standing: list[Standing] = []
    learned: list[Learned] = []
    records: list[Record] = []
    stays: list[SlotStays] = []
    runs: list[StationRun] = []
    heard: list[HeardOf] = []


class Manifest(msgspec.Struct, frozen=True, kw_only=True):
    """What the last line of a sealed recording says of the whole: the number of its first entry, how many
    there are, the moments of the first and the last (RFC 3339), the SHA-256 of all bytes before this line.
    ``marks``: what that sum was after every ``MARK_EVERY`` lines (its beginning), to find where something
    was changed. ``pseudonyms``: parts, lots and people are under other names."""

    format: int
    program: str
    site: str
    position: int
    entries: int
    first: str | None
    last: str | None
    sha256: str
    marks: list[str] = []
    pseudonyms: bool = False


MARK_EVERY = 1000
"""Lines."""


class PlainLine(msgspec.Struct, frozen=True):
    """A message as anybody may write it down: topic, payload and, where it is known, when it came."""

    topic: str
    payload: msgspec.Raw
    at: When = None
    retained: bool = False


class _Marks(msgspec.Struct):
    """What tells the kinds of lines apart."""

    specversion: object = None


class _CloudEvent(msgspec.Struct, kw_only=True, omit_defaults=True):
    specversion: str
    id: str
    source: str
    type: str
    time: str
    data: msgspec.Raw
    subject: str | None = None
    retained: bool = False
    sealed: bool = False


class Line(NamedTuple):
    """One line of an export: its id, whose it is, and what it says. ``sealed``: a manifest will follow."""

    id: str
    source: str
    sealed: bool
    what: StartState | JournalEntry | Manifest


_events = msgspec.json.Decoder(_CloudEvent)
_plain = msgspec.json.Decoder(PlainLine)
_marks = msgspec.json.Decoder(_Marks)
_encode = msgspec.json.Encoder().encode


@dataclass(frozen=True, slots=True)
class Exporter:
    """Writes lines for one site; ``source`` is the CloudEvents source."""

    site: str

    @property
    def source(self) -> str:
        return "/earlybell/" + quote(self.site, safe="")

    def state(self, state: StartState, *, sealed: bool = False) -> bytes:
        return self._line(f"state-{state.position}", STATE_TYPE, state.at, _encode(state), sealed=sealed)

    def manifest(self, manifest: Manifest, at: Instant) -> bytes:
        return self._line(f"manifest-{manifest.position}", MANIFEST_TYPE, at, _encode(manifest))

    def entry(self, number: int, entry: JournalEntry) -> bytes:
        family = "floor." if entry.kind in FLOOR else ""
        return self._line(
            str(number),
            f"{TYPE}{family}{entry.kind}",
            entry.at,
            msgspec.json.format(entry.data, indent=-1),
            entry.subject or None,
            entry.retained,
        )

    def _line(
        self,
        name: str,
        kind: str,
        at: Instant,
        data: bytes,
        subject: str | None = None,
        retained: bool = False,
        sealed: bool = False,
    ) -> bytes:
        event = _CloudEvent(
            specversion="1.0",
            id=name,
            source=self.source,
            type=kind,
            time=exact(at),
            data=msgspec.Raw(data),
            subject=subject,
            retained=retained,
            sealed=sealed,
        )
        return _encode(event) + b"\n"


def exact(at: Instant) -> str:
    """RFC 3339 to the microsecond."""
    return to_datetime(at).isoformat(timespec="microseconds").replace("+00:00", "Z")


def parse_line(line: bytes) -> Line:
    """One line of an export. Raises ``Misfit`` with what is wrong."""
    try:
        event = _events.decode(line)
        at = from_rfc3339(event.time)
        what: StartState | JournalEntry | Manifest
        if event.type == STATE_TYPE:
            what = msgspec.json.decode(event.data, type=StartState)
        elif event.type == MANIFEST_TYPE:
            what = msgspec.json.decode(event.data, type=Manifest)
        else:
            what = JournalEntry(at, _kind(event.type), event.subject or "", bytes(event.data), event.retained)
    except (msgspec.MsgspecError, ValueError, TypeError, RecursionError) as error:
        raise error if isinstance(error, Misfit) else Misfit(f"not an event of ours: {error}") from None
    return Line(event.id, event.source, event.sealed, what)


def _kind(name: str) -> str:
    if not name.startswith(TYPE):
        raise Misfit(f"not an event of ours: type {name!r}")
    return name.removeprefix(TYPE).removeprefix("floor.")


def read_line(line: bytes) -> StartState | JournalEntry:
    """The state that an export starts from, or one of its entries. Raises ``Misfit`` with what is wrong."""
    what = parse_line(line).what
    if isinstance(what, Manifest):
        raise Misfit("a manifest, where an event is wanted")
    return what


def site_in(source: str) -> str:
    """The site that a CloudEvents source of ours names."""
    return unquote(source.removeprefix("/earlybell/"))


def read_plain(line: bytes) -> PlainLine | None:
    """A line that others wrote; ``None``: it may be one of an export. Raises ``Misfit``: it is no JSON."""
    try:
        return _plain.decode(line) if _marks.decode(line).specversion is None else None
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise Misfit(f"neither an event of ours nor a topic with its payload: {error}") from None


def read_entry(entry: JournalEntry) -> tuple[Address, Message]:  # noqa: C901, PLR0912 (a table)
    """Address and event of a journal entry. Raises ``Misfit`` when the entry isn't one of ours."""
    parts = entry.subject.split("/", 2)
    match entry.kind, parts:
        case "time", _:
            return Address("time", "", None), _read_own(entry.data, TimePassed)
        case "elsewhere", _:
            return Address("elsewhere", "", None), _read_own(entry.data, Elsewhere)
        case "care", _:
            return Address("care", "", None), _read_own(entry.data, SupplyCare)
        case "outlet", _:
            return Address("outlet", "", None), _read_own(entry.data, OutletReport)
        case "gateway", [line, *station]:
            return Address("gateway", line, "/".join(station) or None), _read_own(entry.data, GatewayReport)
        case "refusals", [line, *station]:
            return Address("refusals", line, "/".join(station) or None), _read_own(entry.data, Refusals)
        case "person", [line, *place]:  # none where the notice is about a line or the whole site
            where = place[0] if place else None, "/".join(place[1:]) or None
            return Address("person", line, *where), _read_own(entry.data, PersonAct)
        case "check", [line, station]:
            return Address("check", line, station), _read_own(entry.data, Checked)
        case "ready", [line]:
            return Address("ready", line, None), _read_own(entry.data, Readied)
        case "plan", [line]:
            return Address("plan", line, None), _read_own(entry.data, PlanKept)
        case "order", [line, *order]:
            address = Address("order", line, None, "/".join(order) or None)
        case "recipe", [line, station, name]:
            address = Address("recipe", line, station, name)
        case ("count" | "supply" | "recipe" | "tower" | "link") as kind, [line, station]:
            address = Address(kind, line, station)
        case _:
            raise Misfit(f"no such journal entry: {entry.kind} {entry.subject}")
    return address, read_message(address, entry.data)


def _read_own(data: bytes, kind: type[T]) -> T:
    """An event that nobody sent from the floor."""
    try:
        return msgspec.json.decode(data, type=kind)
    except (msgspec.MsgspecError, RecursionError, UnicodeDecodeError) as error:
        raise Misfit(f"not an event of ours: {error}") from None
