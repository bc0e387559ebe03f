"""The journal as CloudEvents, one JSON object a line, and back; and an entry back to the event it records.

The first line of an export is the state it starts from. Nothing is lost on the way: a message's own JSON
goes through byte for byte (white space aside), moments to the microsecond."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar
from urllib.parse import quote, unquote

import msgspec

from service.domain.events import (
    Checked,
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
from service.domain.model import Instant, from_datetime, to_datetime
from service.domain.state import LineState, Standing, StationState, SupplyState
from service.wire.native import Address, Misfit, read_message

T = TypeVar("T")
TYPE = "earlybell."
STATE_TYPE = TYPE + "state"
_FLOOR = ("count", "supply", "recipe", "order", "tower", "link")


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

    def state(self, state: StartState) -> bytes:
        return self._line(f"state-{state.position}", STATE_TYPE, state.at, _encode(state))

    def entry(self, number: int, entry: JournalEntry) -> bytes:
        family = "floor." if entry.kind in _FLOOR else ""
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
    ) -> bytes:
        event = _CloudEvent(
            specversion="1.0",
            id=name,
            source=self.source,
            type=kind,
            time=to_datetime(at).isoformat(timespec="microseconds").replace("+00:00", "Z"),
            data=msgspec.Raw(data),
            subject=subject,
            retained=retained,
        )
        return _encode(event) + b"\n"


def read_line(line: bytes) -> StartState | JournalEntry:
    """One line of an export. Raises ``Misfit`` with what is wrong."""
    try:
        event = _events.decode(line)
        at = from_datetime(datetime.fromisoformat(event.time))
        if event.type == STATE_TYPE:
            return msgspec.json.decode(event.data, type=StartState)
    except (msgspec.MsgspecError, ValueError, TypeError, RecursionError) as error:
        raise Misfit(f"not an event of ours: {error}") from None
    if not event.type.startswith(TYPE):
        raise Misfit(f"not an event of ours: type {event.type!r}")
    kind = event.type.removeprefix(TYPE).removeprefix("floor.")
    return JournalEntry(at, kind, event.subject or "", bytes(event.data), event.retained)


def site_of(line: bytes) -> str:
    """The site that a line of an export comes from."""
    return unquote(_events.decode(line).source.removeprefix("/earlybell/"))


def read_recording(line: bytes) -> StartState | JournalEntry | PlainLine:
    """One line of an export, or one written by others. Raises ``Misfit`` with what is wrong."""
    try:
        if _marks.decode(line).specversion is None:
            return _plain.decode(line)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise Misfit(f"neither an event of ours nor a topic with its payload: {error}") from None
    return read_line(line)


def read_entry(entry: JournalEntry) -> tuple[Address, Message]:  # noqa: C901 (a table)
    """Address and event of a journal entry. Raises ``Misfit`` when the entry isn't one of ours."""
    parts = entry.subject.split("/", 2)
    match entry.kind, parts:
        case "time", _:
            return Address("time", "", None), _read_own(entry.data, TimePassed)
        case "care", _:
            return Address("care", "", None), _read_own(entry.data, SupplyCare)
        case "outlet", _:
            return Address("outlet", "", None), _read_own(entry.data, OutletReport)
        case "refusals", [line, *station]:
            return Address("refusals", line, "/".join(station) or None), _read_own(entry.data, Refusals)
        case "person", [line, station, *slot]:
            return Address("person", line, station, "/".join(slot) or None), _read_own(entry.data, PersonAct)
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
