"""The life of a notice: what opens it, makes it worse, and closes it; what people may do with it.

One supply notice for each emptying of a slot: its id derives from the loading, so a replay finds the same.
Each function changes what bears the notice (a slot, or a ``Standing`` of its own) and returns what is to be
told, or ``None`` when nothing changed for a reader. Which state follows is ``life``'s table.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Any, Protocol
from zoneinfo import ZoneInfo

import msgspec

from service.domain import life
from service.domain.life import Deed, Taken
from service.domain.model import (
    Change,
    Instant,
    Level,
    Notice,
    NoticeState,
    Shortfall,
    Spread,
    to_rfc3339,
)
from service.domain.said import Said, Value, put
from service.domain.state import Call, SlotState, StationState

REFILLED = "refilled"
SEEN_REFILLED = "seen refilled"
ORDER_DONE = "order done"
REMOVED = "removed"
BETTER = "better"
PERSON = "person"
ANSWERED = "answered"


class Bearer(Protocol):
    """What has a notice: the notice, when its quiet spell ends (by time, by the station's panels), and since
    when it calls for somebody."""

    notice: Notice | None
    quiet_until: Instant | None
    quiet_to: int | None
    call: Call | None


@dataclass(frozen=True, slots=True)
class Told:
    """A change of a notice that people are told of. ``calls``: it calls for somebody; that one is taken,
    quiet or closed is good to know and calls for nobody. ``outlets`` hear of it; ``None``: not decided."""

    notice: Notice
    change: Change
    calls: bool = True
    outlets: tuple[str, ...] | None = None


@dataclass(frozen=True, slots=True)
class Numbers:
    """What a notice says of the future; ``None`` where unknown."""

    panels: Spread[int] | None
    empty_at: Spread[Instant] | None
    part: str | None
    boundary_only: bool
    timezone: str
    short: Shortfall | None = None


def is_live(notice: Notice | None) -> bool:
    return notice is not None and notice.state != NoticeState.CLOSED


def notice_id(station: StationState, slot: SlotState, *, about: str = "") -> str:
    """Named after what is loaded now; ``about`` tells apart those that aren't about its emptying."""
    name = f"{station.line}\x1f{station.station}\x1f{slot.name}\x1f{slot.loading}"
    if about:
        name += f"\x1f{about}"
    return "n" + hashlib.sha256(name.encode()).hexdigest()[:20]


def calls_for_words(slot: SlotState, level: Level) -> bool:
    """Whether ``level`` would change the slot's notice: nothing said yet, closed by itself, or worse."""
    notice = slot.notice
    if notice is None:
        return True
    if notice.state == NoticeState.CLOSED and (notice.closed_because != PERSON or slot.anew):
        return True
    return level.rank > Level(notice.level).rank


def raise_to(station: StationState, slot: SlotState, level: Level, numbers: Numbers, at: Instant) -> Told:
    """Open the notice at ``level``, or make it worse; ``calls_for_words`` has said that it matters."""
    old = slot.notice
    said = _said(station, slot, level, numbers)
    if old is None:
        slot.notice = Notice(
            id=notice_id(station, slot),
            kind="supply",
            line=station.line,
            station=station.station,
            slot=slot.name,
            state=NoticeState.OPEN,
            opened_at=to_rfc3339(at),
            changed_at=to_rfc3339(at),
            loading=slot.loading,
            **said,
        )
        return Told(slot.notice, Change.OPENED)
    reopened, slot.anew = old.state == NoticeState.CLOSED, False
    state = life.after(Deed.WORSE, NoticeState(old.state), taken_by=old.taken_by)
    if reopened:
        said |= dict.fromkeys(("closed_at", "closed_by", "closed_because", "reason", "taken_by"))
        said |= {"hears": (), "escalated": 0}
    _end_quiet(slot)
    change = Change.OPENED if reopened else Change.CHANGED
    return _change(slot, at, change, calls=True, state=state, **said)


def close(
    bearer: Bearer, because: str, at: Instant, *, by: str | None = None, reason: str | None = None
) -> Told | None:
    """It is over by itself, or with the reason ``PERSON`` by somebody. Raises ``Taken`` if that is late."""
    if bearer.notice is None:
        return None
    state = _after(bearer, Deed.CLOSE if because == PERSON else Deed.END)
    if state is None:
        return None
    _end_quiet(bearer)
    return _change(
        bearer,
        at,
        Change.CLOSED,
        state=state,
        closed_because=because,
        closed_at=to_rfc3339(at),
        closed_by=by,
        reason=reason,
        quiet_until=None,
        quiet_panels=None,
        message=f"{place(bearer.notice)}: closed, {because}{f' by {by}' if by else ''}.",
        said=None,
    )


def end_loading(slot: SlotState, because: str, at: Instant, *, by: str | None = None) -> Told | None:
    """The supply is gone: its notice closes, the next emptying gets a new one. Call before the change."""
    told = close(slot, because, at, by=by)
    slot.notice = None
    return told


def worsen(bearer: Bearer, level: Level, said: Said, zone: ZoneInfo, at: Instant) -> Told:
    """What stands by itself and isn't closed got worse: it calls again."""
    _end_quiet(bearer)
    return _change(
        bearer,
        at,
        Change.CHANGED,
        calls=True,
        state=_after(bearer, Deed.WORSE),
        level=level.value,
        quiet_until=None,
        quiet_panels=None,
        message=put(said, zone),
        said=said,
    )


def take(bearer: Bearer, by: str, at: Instant) -> Told | None:
    """Raises ``Taken`` when another has it or it is closed; the same person twice changes nothing."""
    state = _after(bearer, Deed.TAKE, by=by)
    if state is None:
        return None
    _end_quiet(bearer)
    return _change(bearer, at, Change.CHANGED, state=state, taken_by=by, quiet_until=None, quiet_panels=None)


def release(bearer: Bearer, at: Instant) -> Told | None:
    """Nobody has it any more, and it calls again. Raises ``Taken`` when it is closed."""
    state = _after(bearer, Deed.RELEASE)
    if state is None:
        return None
    _end_quiet(bearer)
    return _change(
        bearer,
        at,
        Change.CHANGED,
        calls=True,
        state=state,
        taken_by=None,
        quiet_until=None,
        quiet_panels=None,
    )


def quiet(
    bearer: Bearer, at: Instant, *, progress: int, panels: int | None, until: Instant | None
) -> Told | None:
    """Say nothing for so many panels or until then. Raises ``Taken`` when the notice is closed."""
    state = _after(bearer, Deed.QUIET)
    bearer.quiet_until = until
    bearer.quiet_to = None if panels is None else progress + panels
    return _change(
        bearer,
        at,
        Change.CHANGED,
        state=state,
        quiet_until=None if until is None else to_rfc3339(until),
        quiet_panels=panels,
    )


def quiet_is_over(bearer: Bearer, *, progress: int, at: Instant) -> bool:
    if bearer.notice is None or bearer.notice.state != NoticeState.QUIET:
        return False
    by_panels = bearer.quiet_to is not None and progress >= bearer.quiet_to
    return by_panels or (bearer.quiet_until is not None and at >= bearer.quiet_until)


def speak_again(bearer: Bearer, at: Instant) -> Told:
    state = _after(bearer, Deed.SPEAK)
    _end_quiet(bearer)
    calls = state is NoticeState.OPEN
    return _change(bearer, at, Change.CHANGED, calls=calls, state=state, quiet_until=None, quiet_panels=None)


def _known(bearer: Bearer) -> Notice:
    if bearer.notice is None:
        raise Taken
    return bearer.notice


def _after(bearer: Bearer, deed: Deed, *, by: str | None = None) -> NoticeState | None:
    notice = _known(bearer)
    return life.after(deed, NoticeState(notice.state), taken_by=notice.taken_by, by=by)


def _end_quiet(bearer: Bearer) -> None:
    bearer.quiet_until = bearer.quiet_to = None


def _change(bearer: Bearer, at: Instant, change: Change, *, calls: bool = False, **fields: Any) -> Told:
    old = _known(bearer)
    if calls:
        fields["reminded"] = 0
    bearer.notice = msgspec.structs.replace(old, changed_at=to_rfc3339(at), version=old.version + 1, **fields)
    return Told(bearer.notice, change, calls)


def _said(station: StationState, slot: SlotState, level: Level, numbers: Numbers) -> dict[str, Any]:
    times = numbers.empty_at
    said = sentence(station, slot, level, numbers)
    return {
        "level": level.value,
        "part": numbers.part,
        "supply_kind": slot.kind,
        "boundary_only": numbers.boundary_only,
        "panels_to_empty": numbers.panels,
        "empty_at": None
        if times is None
        else Spread(*(to_rfc3339(at) for at in msgspec.structs.astuple(times))),
        "quiet_until": None,
        "quiet_panels": None,
        "message": put(said, ZoneInfo(numbers.timezone)),
        "said": said,
    }


def place(notice: Notice) -> str:
    """Line, station and slot, as far as it has them; of what concerns the whole site what it is about."""
    return " ".join(part for part in (notice.line, notice.station, notice.slot) if part) or notice.about or ""


def sentence(station: StationState, slot: SlotState, level: Level, numbers: Numbers) -> Said:
    """One line for a phone: where, what, how soon, what to bring and when it may be exchanged."""
    about: dict[str, Value] = {
        "where": f"{station.line} {station.station} {slot.name}",
        "supply": one_supply(slot.kind, numbers.part),
        "when": exchange_when(numbers.boundary_only),
    }
    if level is Level.EMPTY:
        return Said("{where} is empty and the station waits. Bring {supply}.", about)
    if numbers.panels is None:
        return Said("{where} runs low, how soon is not known. Bring {supply}; exchange {when}.", about)
    low, mid, high = msgspec.structs.astuple(numbers.panels)
    about |= {
        "panels": Said("{number} more panel", {"number": mid}, many="{number} more panels"),
        "between": Said(" ({low} to {high})", {"low": low, "high": high}) if low != high else "",
        "clock": ""
        if numbers.empty_at is None
        else Said(", about {empty_at}", {"empty_at": to_rfc3339(numbers.empty_at.p50)}),
        "short": Said(" It {lacks}.", {"lacks": lacks}) if (lacks := what_lacks(numbers.short)) else "",
    }
    return Said("{where} lasts {panels}{between}{clock}.{short} Bring {supply}; exchange {when}.", about)


def exchange_when(boundary_only: bool) -> Said:
    if boundary_only:
        return Said("between two panels, by a stop at the end of the panel")
    return Said("while it runs")


def one_supply(kind: str | None, part: str | None) -> Said:
    """What to bring."""
    one = {
        "tape": Said("one reel{of}"),
        "tray": Said("one tray{of}"),
        "stick": Said("one stick{of}"),
        "bulk": Said("one bulk case{of}"),
    }.get(kind or "", Said("one supply{of}"))
    return Said(one.text, {"of": Said(" of {part}", {"part": part}) if part else ""})


def what_lacks(short: Shortfall | None) -> Said | None:
    """That the orders ahead need more than is there; ``None`` where they don't."""
    if short is None or short.parts == 0:
        return None
    parts = Said("{number} part short", {"number": short.parts}, many="{number} parts short")
    if short.order is None:
        return Said("will not last the order: {parts}", {"parts": parts})
    return Said("will not last order {order}: {parts}", {"parts": parts, "order": short.order})
