"""What values may mean, by their names and by how they behaved, and whose they are. All of it is a guess that
says what it stands on.

Where no name says what is counted, how counters rise does: parts placed the fastest, in each slot by its own
number; lost ones rarely; panels by one, with no slot.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from service.usecases.overheard.alike import COUNTED, Alike, Varying, step_of
from service.usecases.overheard.reading import Item, Key, Level, Step
from service.usecases.overheard.track import Track, number_of
from service.usecases.overheard.words import is_a_name, lamp_of, meaning_of, ours, place_of, words_in

OF_A_SLOT = frozenset({*COUNTED, "empty", "part", "lot", "supply", "kind", "quantity", "usage"})
_BOARDS = frozenset(("board", "boards", "pcb", "pcbs", "units", "platinen", "leiterplatten", "baugruppen"))
_MOST_BOARDS = 100
OF_A_LINE = frozenset({"order", "order_panels", "order_state"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Guess:
    """``means``: ``None`` where nothing in it is known. ``whose``: for each varying step what it names
    (``line``, ``station``, ``slot``, ``lamp``), ``""`` where that isn't needed. ``doubt``: what makes it one,
    with what was seen. ``each``: so many of what is counted may be one. ``time``: the form in which it is
    one."""

    found: Alike[Track]
    means: str | None
    doubt: str
    whose: tuple[str, ...] = ()
    counts: str = "total"
    each: int = 1
    time: str | None = None
    words: Mapping[str, str] = field(default_factory=dict)

    @property
    def bits(self) -> int:
        """Of a number that stands for lamps: how many it may be."""
        numbers = [each.most for each in self.found.members.values() if each.whole]
        return int(max(numbers)).bit_length() if numbers else 0

    @property
    def names_something(self) -> bool:
        """It may be somebody's name: text or a number, and no counter and no time."""
        track = liveliest(self.found)
        return _names(track) and track.time is None


def guess(found: Alike[Track]) -> Guess:
    """What one kind of values may be."""
    track = liveliest(found)
    means, doubt = _means(found, track)
    said = [word for each in found.members.values() for word in each.words]
    words = ours(means or "", dict.fromkeys(said))
    if words is None:
        means, doubt = None, f"{doubt}; by its name `{means}`, but not each of its words is known"
    falls = means in COUNTED and track.falls > track.restarts
    return Guess(
        found=found,
        means=means,
        doubt=doubt,
        whose=whose(found, [place for place in wanted_by(means) if place != "slot" or _has_slots(found)]),
        time=track.time,
        counts="delta" if falls else "total",
        each=_each(found, track) if means == "panels" else 1,
        words=words or {},
    )


def _has_slots(found: Alike[Track]) -> bool:
    """What a key of a message says, on a topic with few levels that vary, is of the slot that another key
    names."""
    inside = [step for step in found.pattern if not _is_level(step)]
    in_message = bool(inside) and all(isinstance(step, Key) and not step.mark for step in inside)
    return not in_message or len(varying(found)) > 2


def _is_level(step: Step | Varying) -> bool:
    return isinstance(step_of(step), Level)


def liveliest(found: Alike[Track]) -> Track:
    """The one of its kind of which the most was seen."""
    return max(found.members.values(), key=lambda track: (track.changes, track.heard))


def _means(found: Alike[Track], track: Track) -> tuple[str | None, str]:
    seen = track.evidence()
    if _tells_whose(found):
        return None, "says whose the values beside it are"
    said = meaning_of(found.names)
    if track.time is not None and (said == "at" or not track.only_rises):
        return "at", f"{seen}; a time ({track.time})"
    if _names_a_lamp(found) and all(map(_shows_a_lamp, found.members.values())):
        return "lamp", seen
    if said in {*COUNTED, "panels"}:
        return _counter(str(said), found, track)
    if said == "lamp":
        return _tower(track, seen)
    return (said if said in _FITS and _FITS[said](track) else None), seen


def _switches(track: Track) -> bool:
    return not track.many and not track.only_rises


def _names(track: Track) -> bool:
    return bool(track.kinds & {"text", "whole number"}) and not track.only_rises


_FITS: Mapping[str | None, Callable[[Track], bool]] = {
    "buzzer": _switches,
    "empty": _switches,
    "link": _switches,
    "active": _switches,
    "change": _switches,
    "seq": lambda track: track.only_rises,
    **dict.fromkeys(("quantity", "usage", "order_panels", "boards_per_panel"), lambda track: track.number),
    **dict.fromkeys(
        ("session", "id", "by", "recipe", "order", "order_state", "part", "lot", "supply", "kind"), _names
    ),
}
"""How values behave that mean this, where their names say so."""


def _counter(said: str, found: Alike[Track], track: Track) -> tuple[str | None, str]:
    tracks = list(found.members.values())
    if not all(each.whole for each in tracks if each.heard) or track.time:
        if said == "panels" and track.kinds <= {"true or false"}:
            return "panel", f"{track.evidence()}; each time it becomes true a panel may be complete"
        return None, track.evidence()
    seen = track.evidence()
    if track.falls > track.restarts:
        return said, f"{seen}; it falls too, so it may say what came since the last message"
    if said == "placed" and any("pick" in word for word in words_in(found.names[-1] if found.names else "")):
        return "picked", f"{seen}; picks include lost ones"
    if track.changes == 0:
        return said, f"{seen}; by its name alone, it never moved"
    hint = {
        "placed": "; could be picks including lost ones",
        "picked": "; taken to include lost ones",
        "lost": "",
        "panels": f"; in steps of {track.step}" if track.step else "",
    }[said]
    return said, seen + hint


def _each(found: Alike[Track], track: Track) -> int:
    """Where boards are counted, how many of them a panel may have."""
    boards = any(_BOARDS & set(words_in(name)) for name in found.names[-1:])
    return track.step if boards and 1 < track.step <= _MOST_BOARDS and track.rises > 4 else 1


def _tower(track: Track, seen: str) -> tuple[str | None, str]:
    """The lamps of a tower in one value: as words with colours, or as bits."""
    if track.kinds <= {"text", "nothing"} and any(map(lamp_of, track.words)):
        return "lamps", seen
    if track.whole and track.most < 2**15 and not track.many:
        return "lamps", f"{seen}; if its bits are lamps, say which in `bits`"
    return None, seen


def _names_a_lamp(found: Alike[Track]) -> bool:
    """By the colour in its name, or in what varies of it."""
    if lamp_of(*found.names):
        return True
    return any(all(map(lamp_of, found.distinct(capture))) for capture in range(len(varying(found))))


def _shows_a_lamp(track: Track) -> bool:
    """On, off and flashing in any form."""
    return not track.many and ours("lamp", track.words) is not None


def _tells_whose(found: Alike[Track]) -> bool:
    """The field by which an array's elements are told apart."""
    pattern = found.pattern
    last, before = pattern[-1] if pattern else None, pattern[-2] if len(pattern) > 1 else None
    return (
        isinstance(last, Key)
        and isinstance(before, Varying)
        and isinstance(before.of, Item)
        and before.of.field == last.text
    )


# Whose it is


def varying(found: Alike[Track]) -> list[Varying]:
    return [step for step in found.pattern if isinstance(step, Varying)]


def wanted_by(means: str | None) -> tuple[str, ...]:
    """What has to be known of whose a value is that means this."""
    if means in OF_A_LINE:
        return ("line",)
    if means == "lamp":
        return ("line", "station", "lamp")
    return ("line", "station", "slot") if means in OF_A_SLOT else ("line", "station")


def whose(found: Alike[Track], wanted: Sequence[str], captures: int | None = None) -> tuple[str, ...]:
    """What each varying step names (of the first so many): by the word before it or its field, else from the
    outside in: the line, the station, and last the slot."""
    names = [""] * (len(varying(found)) if captures is None else captures)
    for capture in range(len(names)):
        place = "lamp" if all(map(lamp_of, found.distinct(capture))) else _hinted(found, capture)
        if place in wanted and place not in names:
            names[capture] = str(place)
    others = [] if "slot" in wanted else [each for each in range(len(names)) if _names_another(found, each)]
    open_ones = [capture for capture, name in enumerate(names) if not name and capture not in others]
    if "slot" in wanted and "slot" not in names and open_ones:
        names[open_ones.pop()] = "slot"
    places = [place for place in ("line", "station") if place in wanted and place not in names]
    # Of one level only, it is the machine that counts; of more than there are places, those say more that
    # look like names or differ, and then the innermost.
    telling = [capture for capture in open_ones if _tells(found.distinct(capture))]
    telling = telling if len(telling) >= len(places) else open_ones
    for capture, place in zip(reversed(telling), reversed(places), strict=False):
        names[capture] = place
    return tuple(names)


def _tells(texts: list[str]) -> bool:
    return len(texts) > 1 or is_a_name(texts[0])


def _names_another(found: Alike[Track], capture: int) -> bool:
    """Below ``program`` stands a recipe, below ``job`` an order."""
    before = _before(found, capture)
    return before is not None and meaning_of([before]) in {"recipe", "order"}


def _hinted(found: Alike[Track], capture: int) -> str | None:
    """By its own words, an array's field, or the step before it."""
    step = varying(found)[capture].of
    if hinted := place_of(step.field if isinstance(step, Item) else step.text):
        return hinted
    before = _before(found, capture)
    return None if before is None else place_of(before)


def _before(found: Alike[Track], capture: int) -> str | None:
    """The word of the step before a varying one."""
    at = [number for number, step in enumerate(found.pattern) if isinstance(step, Varying)][capture]
    before = found.pattern[at - 1] if at else None
    return None if before is None or isinstance(before, Varying) else before.text


# Where no name says it

_RARELY = 0.1
"""Of the parts placed, at most, where what rises are lost ones."""


def by_behaviour(said: Sequence[Guess]) -> list[Guess]:
    """The same, with what may be placed, lost and panels where nothing was known of any."""
    rising = [each for each in said if each.means in (None, "seq") and _rise(each) > 0]
    slots = [each for each in rising if len(each.found.members) > 1]
    if not slots or any(each.means in ("placed", "picked") for each in said):
        return list(said)
    deepest = max(len(varying(each.found)) for each in slots)
    slots = sorted((each for each in slots if len(varying(each.found)) == deepest), key=_rise, reverse=True)
    meant = {id(slots[0]): "placed"}
    meant |= {id(each): "lost" for each in slots[1:2] if _rise(each) <= _RARELY * _rise(slots[0])}
    panels = [each for each in rising if len(varying(each.found)) < deepest and _step(each) == 1]
    meant |= {id(each): "panels" for each in panels[:1]}
    return [_meaning(each, meant[id(each)]) if id(each) in meant else each for each in said]


def _meaning(each: Guess, means: str) -> Guess:
    doubt = f"{each.doubt}; by how it rises alone"
    return replace(each, means=means, doubt=doubt, whose=whose(each.found, wanted_by(means)))


def _rise(each: Guess) -> float:
    """How far its counters rose, on average; 0 where not all are counters."""
    tracks = list(each.found.members.values())
    if each.time is not None or not all(track.only_rises or not track.changes for track in tracks):
        return 0.0
    return sum(map(_risen, tracks)) / len(tracks)


def _risen(track: Track) -> float:
    first, last = number_of(track.first), number_of(track.last)
    return 0.0 if first is None or last is None else max(0.0, last - first)


def _step(each: Guess) -> int:
    return min((track.step for track in each.found.members.values() if track.step), default=0)
