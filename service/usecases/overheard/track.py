"""How one value behaves while it is listened to, in a handful of numbers however long that is."""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Iterable, Mapping
from typing import Literal

from service.domain.model import SECOND, Instant

MOST_WORDS = 8
"""Different contents that are remembered; of more it is only known that there are more."""
LONGEST_WORD = 80
_TURNS = 24
_SLOWEST, _FASTEST = 0.4, 2.8
"""Hz: the flash rates of IEC 60073 lie between them."""

Kind = Literal["true or false", "whole number", "number", "text", "nothing", "a list or object"]
_KINDS: Mapping[type, Kind] = {
    type(None): "nothing",
    bool: "true or false",
    int: "whole number",
    float: "number",
    str: "text",
}
TimeForm = Literal["rfc3339", "local", "unix_s", "unix_ms", "unix_us"]

_DATED = re.compile(
    r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d([.,]\d+)?)?(?P<zone>Z|[+-]\d\d:?\d\d)?", re.IGNORECASE
)
_NUMERIC = re.compile(r"-?\d{1,18}")
_UNITS: tuple[tuple[TimeForm, int], ...] = (("unix_s", 1), ("unix_ms", 1000), ("unix_us", 1_000_000))
_NEAR = 10 * 366 * 24 * 3600


class Track:
    """``first`` and ``last`` are the contents, long text cut. A number that comes as text counts as one."""

    __slots__ = (
        "_number",
        "_turns",
        "changes",
        "falls",
        "first",
        "first_at",
        "heard",
        "kinds",
        "last",
        "last_at",
        "most",
        "restarts",
        "rises",
        "step",
        "times",
        "words",
    )

    def __init__(self) -> None:
        self.first: object = None
        self.last: object = None
        self.first_at: Instant = 0
        self.last_at: Instant = 0
        self.heard = 0
        self.changes = 0
        self.rises = 0
        self.falls = 0
        self.restarts = 0
        self.step = 0
        self.most: float = 0
        self.kinds: set[Kind] = set()
        self.words: dict[str, None] = {}
        self.times: set[TimeForm | None] = set()
        self._number: float | None = None
        self._turns: deque[Instant] = deque(maxlen=_TURNS)

    def take(self, content: object, at: Instant) -> None:
        self.heard += 1
        self.last_at = at
        if content == self.last and type(content) is type(self.last) and self.heard > 1:
            return
        self.kinds.add(_KINDS.get(type(content), "a list or object"))
        content = _kept(content)
        if None not in self.times:
            self.times.add(time_form(content, at))
        number = number_of(content)
        if number is not None and number > self.most:
            self.most = number
        if len(self.words) <= MOST_WORDS:
            self.words[shown(content)] = None
        if self.heard == 1:
            self.first, self.first_at = content, at
        elif content != self.last:
            self.changes += 1
            self._turns.append(at)
            self._note_step(self._number, number)
        self.last, self._number = content, number

    @property
    def many(self) -> bool:
        """More different contents than are remembered."""
        return len(self.words) > MOST_WORDS

    @property
    def only_rises(self) -> bool:
        """A counter: whole numbers from 0 that rose, and fell at most as one that begins anew."""
        return (
            self.whole and self.rises > 0 and self.falls == self.restarts and self.restarts * 3 <= self.rises
        )

    @property
    def whole(self) -> bool:
        """Whole numbers from 0 alone."""
        return (
            self.kinds <= {"whole number", "text", "nothing"}
            and all(
                each is None
                or ((number := number_of(each)) is not None and number >= 0 and number == int(number))
                for each in (self.first, self.last)
            )
            and not (self.first is None and self.last is None)
        )

    @property
    def number(self) -> bool:
        """Numbers from 0 alone."""
        ends = [each for each in (self.first, self.last) if each is not None]
        return bool(ends) and all((number := number_of(each)) is not None and number >= 0 for each in ends)

    @property
    def time(self) -> TimeForm | None:
        """The form in which it is a time near that of its arrival, whenever it was heard."""
        return next(iter(self.times)) if len(self.times) == 1 else None

    @property
    def blinks(self) -> float | None:
        """Hz, where two contents take turns as a flashing lamp does."""
        if len(self.words) != 2 or len(self._turns) < 4:
            return None
        took = (self._turns[-1] - self._turns[0]) / SECOND
        rate = (len(self._turns) - 1) / took / 2 if took > 0 else math.inf
        return rate if _SLOWEST <= rate <= _FASTEST else None

    def evidence(self) -> str:
        """What was seen, in a few words."""
        if self.first is None and self.last is None:
            return "never has a value"
        if self.heard == 1:
            return f"heard once: {shown(self.last)}"
        if self.changes == 0:
            return f"always {shown(self.last)} in {_lasting(self)}"
        if self.only_rises:
            again = f", {_times(self.restarts)} from a lower number again" if self.restarts else ""
            return f"rises only, {shown(self.first)} → {shown(self.last)} in {_lasting(self)}{again}"
        if (rate := self.blinks) is not None:
            return f"takes turns between {' and '.join(self.words)} at {rate:.1f} Hz"
        if not self.many:
            return f"one of {_some(self.words)}, changed {_times(self.changes)} in {_lasting(self)}"
        return f"changed {_times(self.changes)} in {_lasting(self)}, last {shown(self.last)}"

    def _note_step(self, before: float | None, now: float | None) -> None:
        if before is None or now is None:
            return
        if now > before:
            self.rises += 1
            if now - before == int(now - before):
                self.step = math.gcd(self.step, int(now - before))
        else:
            self.falls += 1
            self.restarts += now * 2 < before


def number_of(content: object) -> float | int | None:
    """Also one that is written as text: 64-bit counters come that way where JSON can't hold them."""
    if isinstance(content, int):
        return None if isinstance(content, bool) else content
    if isinstance(content, float):
        return content if math.isfinite(content) else None
    if isinstance(content, str) and _NUMERIC.fullmatch(content):
        return int(content)
    return None


def time_form(content: object, at: Instant) -> TimeForm | None:
    """As which it is a time not ten years from ``at``."""
    if isinstance(content, str) and (dated := _DATED.fullmatch(content.strip())):
        return "rfc3339" if dated["zone"] else "local"
    number = number_of(content)
    if number is None:
        return None
    for form, unit in _UNITS:
        if abs(number / unit - at / SECOND) < _NEAR:
            return form
    return None


def shown(content: object) -> str:
    if isinstance(content, bool):
        return "true" if content else "false"
    if isinstance(content, int):
        return f"{content:,}".replace(",", " ") if abs(content) >= 10_000 else str(content)
    return "null" if content is None else str(content)[:LONGEST_WORD]


def _kept(content: object) -> object:
    if isinstance(content, str):
        return content[:LONGEST_WORD]
    if isinstance(content, int):
        return content if abs(content) <= 2**64 else float("inf")
    return content if content is None or isinstance(content, float) else "…"


def _some(words: Iterable[str], most: int = 4) -> str:
    listed = list(words)
    return ", ".join(listed[:most]) + (f", … {len(listed)} in all" if len(listed) > most else "")


def _lasting(track: Track) -> str:
    return f"{(track.last_at - track.first_at) / SECOND:.0f} s"


def _times(number: int) -> str:
    return "once" if number == 1 else f"{number} times"
