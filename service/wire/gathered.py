"""What is remembered of one station whose values come one by one, and what they say together.

It knows values by what they mean; whose they are and how they are read is ``values``."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from hashlib import blake2b
from typing import Any, Literal, NamedTuple

import msgspec

from service.domain import clock
from service.domain.events import Lamp
from service.domain.model import Instant
from service.wire import jobs, lamps, loads, totals
from service.wire.readings import BUZZER, COLOURS

PANELS = "panels"
_MOST_TOLD = 256


class Gathered(msgspec.Struct, array_like=True):
    """Of one station, or of a line, which has orders alone. ``session`` is that of our own totals, made when
    this began, and ``seq`` the last number in it. ``place``: what the topic or the device gave.
    ``slots``: what is counted in each, and panels under no name. ``panel``: the last one that was told of by
    itself, and when. ``told``: what was last said of each recipe and order, and which of them rules."""

    session: str = ""
    seq: int = 0
    place: dict[str, str] = {}
    slots: dict[str, totals.Heard] = {}
    panel: tuple[str, Instant | None] | None = None
    loads: dict[str, loads.Load] = {}
    lamps: dict[str, lamps.Seen] = {}
    recipe: jobs.Recipe = msgspec.field(default_factory=jobs.Recipe)
    order: jobs.Order = msgspec.field(default_factory=jobs.Order)
    link: Literal["online", "offline"] | None = None
    due: Instant | None = None
    told: dict[str, str] = {}


class Saying(NamedTuple):
    """A message of our own contract before it is written: ``kind`` as in its topic."""

    kind: str
    body: dict[str, Any]


class Count(NamedTuple):
    """One value that counts. ``slot`` is empty for panels; ``each``: that many units are one."""

    slot: str
    means: str
    units: int
    at: Instant | None
    delta: bool = False
    each: int = 1


class Look(NamedTuple):
    """One look at a lamp, or (``told``) what its source knows of it; ``at`` by the source's clock."""

    name: str
    state: Lamp
    told: bool
    at: Instant | None


def believed(said: Instant | None, at: Instant) -> Instant | None:
    """A source's own time, unless its clock must be wrong: it tells no order then."""
    return said if said is not None and clock.believed(said, at) else None


def hear_counts(piece: Gathered, counts: Sequence[Count], missing: int = 0) -> list[Saying]:
    """All of them together are one message. What was never said before begins with nothing, so that no part
    of it is taken for a beginning. Where messages with deltas are ``missing``, what they carried is too: this
    one is said as deltas behind a hole, so that what is left is known to be doubtful."""
    holes = {count.slot: _said_of(piece, count.slot) for count in counts if count.delta and missing}
    touched: dict[str, None] = {}
    fallen: dict[tuple[str, str], tuple[totals.Counter, Count]] = {}
    for count in _summed(counts):
        slot, means, units, at, delta, each = count
        if fallen and (slot, means) in fallen:
            _judge(fallen, touched)
        heard = piece.slots.get(slot)
        if heard is None:
            heard = piece.slots[slot] = totals.Heard()
        counter = heard.counters.get(means)
        if counter is None:
            counter = heard.counters[means] = totals.Counter()
            touched[slot] = None
        before = counter.total
        if delta:
            totals.take_delta(counter, units, at, each)
        elif not totals.take_total(counter, units // each, at):
            fallen[slot, means] = counter, count
        if counter.total != before:
            touched[slot] = None
    _judge(fallen, touched)
    behind = {slot: before for slot, before in holes.items() if before is not None and slot in touched}
    said = _say_counts(piece, [slot for slot in touched if slot not in behind])
    if not behind:
        return said
    piece.seq += missing
    body: dict[str, Any] = {"counts": "delta"}
    for slot, earlier in behind.items():
        now = _said_of(piece, slot) or {}
        _put(body, slot, {name: total - earlier.get(name, 0) for name, total in now.items()})
    return [*said, _count(piece, body)]


def _summed(counts: Sequence[Count]) -> Iterable[Count]:
    """Deltas of one counter with one time are one: the second would be taken for a repeat of the first."""
    summed: dict[object, Count] = {}
    for place, count in enumerate(counts):
        key = count._replace(units=0) if count.delta else place
        same = summed.get(key)
        summed[key] = count if same is None else count._replace(units=same.units + count.units)
    return summed.values()


def _said_of(piece: Gathered, slot: str) -> dict[str, int] | None:
    """What was last said of a slot, or of panels; ``None``: nothing yet."""
    heard = piece.slots.get(slot)
    if heard is None or not heard.named:
        return None
    return _totals(heard, slot)


def _totals(heard: totals.Heard, slot: str) -> dict[str, int] | None:
    return totals.slot_totals(heard) if slot else {PANELS: heard.counters[PANELS].total}


def _judge(fallen: dict[tuple[str, str], tuple[totals.Counter, Count]], touched: dict[str, None]) -> None:
    """Counters that fall together with one that must have begun again did so too."""
    restart = any(totals.restarted(counter, count.units // count.each) for counter, count in fallen.values())
    for counter, count in fallen.values():
        totals.fall(counter, count.units // count.each, count.at, restart=restart)
        if restart and count.units:
            touched[count.slot] = None
    fallen.clear()


def _say_counts(piece: Gathered, touched: Iterable[str]) -> list[Saying]:
    first: dict[str, Any] = {}
    now: dict[str, Any] = {}
    for slot in touched:
        heard = piece.slots[slot]
        said = _totals(heard, slot)
        if said is None:
            continue
        new = [name for name in said if name not in heard.named]
        heard.named += new
        if any(said[name] for name in new):
            _put(first, slot, said | dict.fromkeys(new, 0))
        _put(now, slot, said)
    return [_count(piece, each) for each in (first, now) if each]


def _put(body: dict[str, Any], slot: str, said: dict[str, int]) -> None:
    if slot:
        body.setdefault("slots", {})[slot] = said
    else:
        body |= said


def _count(piece: Gathered, body: dict[str, Any]) -> Saying:
    piece.seq += 1
    return Saying("count", {"session": piece.session, "seq": piece.seq, **body})


def panel_counts(piece: Gathered, panels: Iterable[tuple[object, Instant | None, int]]) -> Iterator[Count]:
    """One more panel for each: a pulse (``true`` or 1) is one each time, any other text or number when it
    differs from the last. What isn't newer than an earlier message is a repeat; in one message several may
    have one time."""
    _, before = piece.panel or ("", None)
    seen: set[tuple[str, Instant | None]] = set()
    for content, at, each in sorted(panels, key=lambda panel: panel[1] or 0):
        if at is not None and before is not None and at <= before:
            continue
        pulse = content is True or content == 1
        told = "" if content in (None, False, 0, "") else str(content)
        last, last_at = piece.panel or ("", None)
        if not pulse and (told == last or (told, at) in seen):
            continue
        seen.add((told, at))
        piece.panel = (told, at if at is not None else last_at)
        if told:
            yield Count("", PANELS, 1, None, delta=True, each=each)


def hear_load(
    piece: Gathered,
    slot: str,
    fields: dict[str, str | int | None],
    at: Instant | None,
    now: Instant,
    rest: frozenset[str],
) -> list[Saying]:
    load = piece.loads.get(slot)
    if load is None:
        load = piece.loads[slot] = loads.Load()
    said = loads.hear(load, fields, at, now, rest)
    return [] if said is None else [_supply(piece, slot, load, said)]


def hear_going_on(piece: Gathered, counts: Iterable[Count]) -> list[Saying]:
    """Who places from a slot again has exchanged its supply: nothing more that belongs to that is waited for,
    so that it is said before what was placed since. Where hardly anything is missing the station's going on
    is enough."""
    said = []
    for slot, load in piece.loads.items():
        if load.due is None:
            continue
        if any(_moves(piece, each) for each in counts if load.together or each.slot == slot):
            said += _settle(piece, slot, load, load.due)
    return said


def _moves(piece: Gathered, count: Count) -> bool:
    if count.delta:
        return count.units > 0
    heard = piece.slots.get(count.slot)
    counter = None if heard is None else heard.counters.get(count.means)
    return counter is not None and counter.raw != count.units // count.each


def _supply(piece: Gathered, slot: str, load: loads.Load, said: dict[str, Any]) -> Saying:
    return Saying("supply", {"id": f"{piece.session}/{slot}/{load.number}", "slot": slot, **said})


def hear_lamps(piece: Gathered, heard: Iterable[Look], now: Instant) -> list[Saying]:
    """What is no colour of a tower is ignored."""
    before = _states(piece)
    for name, state, told, at in heard:
        if name != BUZZER and name not in COLOURS:
            continue
        lamp = piece.lamps.get(name)
        if lamp is None:
            lamp = piece.lamps[name] = lamps.Seen()
        if told or state == "flashing":
            lamps.tell(lamp, state)
        else:
            lamps.look_at(lamp, state == "on", now, at)
    return _tower(piece, before)


def _states(piece: Gathered) -> dict[str, Lamp]:
    """What is known of the tower."""
    return {name: lamp.state for name, lamp in piece.lamps.items() if lamp.state is not None}


def _tower(piece: Gathered, before: dict[str, Lamp]) -> list[Saying]:
    states = _states(piece)
    if states == before:
        return []
    colours = {name: state for name, state in states.items() if name != BUZZER}
    buzzer = {BUZZER: states[BUZZER]} if BUZZER in states else {}
    return [Saying("tower", {"lamps": colours, **buzzer})]


def is_news(piece: Gathered, said: Saying) -> bool:
    """Whether a recipe or an order is told of anew, or is the one that rules again."""
    name = str(said.body.get(said.kind))
    own, ruling = f"{said.kind} {name}", said.kind
    content = repr(sorted((key, value) for key, value in said.body.items() if key != "at"))
    digest = blake2b(content.encode("utf-8", "replace"), digest_size=8).hexdigest()
    rules = said.body.get("state", "running") == "running" and said.body.get("active", True)
    if piece.told.get(own) == digest and (not rules or piece.told.get(ruling) == name):
        return False
    if len(piece.told) > _MOST_TOLD:
        piece.told.clear()
    piece.told |= {own: digest, ruling: name} if rules else {own: digest}
    return True


def settle(piece: Gathered, at: Instant) -> list[Saying]:
    """What time alone says."""
    said: list[Saying] = []
    if (recipe := jobs.settle_recipe(piece.recipe, at)) is not None:
        said.append(Saying("recipe", recipe))
    if (order := jobs.settle_order(piece.order, at)) is not None:
        said.append(Saying("order", order))
    for slot, load in piece.loads.items():
        said += _settle(piece, slot, load, at)
    before = _states(piece)
    for lamp in piece.lamps.values():
        lamps.settle(lamp, at)
    said += _tower(piece, before)
    note_due(piece)
    return said


def _settle(piece: Gathered, slot: str, load: loads.Load, at: Instant) -> list[Saying]:
    """What was counted at the very moment of an exchange was heard before it, and is of the supply before."""
    change = loads.settle(load, at)
    if change is None:
        return []
    heard = piece.slots.get(slot)
    counted = () if heard is None else (each.at for each in heard.counters.values())
    if change["at"] in counted:
        change["at"] += 1
    return [_supply(piece, slot, load, change)]


def note_due(piece: Gathered) -> None:
    """When time alone will have something to say."""
    moments = [piece.recipe.due, piece.order.due, *(load.due for load in piece.loads.values())]
    moments += [lamps.steady_at(lamp) for lamp in piece.lamps.values()]
    piece.due = min((each for each in moments if each is not None), default=None)
