"""How long moisture-sensitive parts may still lie open: a clock, folded from what was done to a supply.

Exposure adds up over several openings, stands still where it is dry enough, and goes back to nothing by a
bake, or by a long stay in the dry after a short exposure. Which level has which numbers is configured; those
that stand here are from memory of J-STD-033, and the standard itself and the maker's label rule. Knows no
slots and tells nobody.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Literal

import msgspec

from service.domain.model import SECOND, Instant

HOUR: Instant = 3600 * SECOND
CareChange = Literal["opened", "sealed", "dry", "out", "baked", "loaded"]
Lies = Literal["sealed", "exposed", "dry", "unknown"]
State = Literal["sealed", "exposed", "dry", "expired", "unknown"]
Reason = Literal["level", "opening", "label", "bake"]
"""What isn't known, or must be done first: its level, when it was opened, the hours on its label, a bake."""
MOST_CHANGES = 60
_RANK: tuple[CareChange, ...] = ("sealed", "opened", "dry", "baked", "out", "loaded")
_LEVEL = re.compile(r"(?:(?:msl|level)[\s-]*)?([1-9][a-z]?)", re.IGNORECASE)


class LevelRule(msgspec.Struct, frozen=True, kw_only=True):
    """One level: ``hours`` of floor life; ``label``: those on the supply's label. After an exposure of
    ``short_hours`` or less, a stay ``reset_times`` as long at ``reset_humidity`` (% RH) or less makes the
    clock begin anew. At ``pause_humidity`` or less it stands still, at most ``pause_hours`` in one go
    (``None``: without end). ``bake_first``: not to be used before it was baked."""

    level: str
    hours: float | Literal["unlimited", "label"]
    short_hours: float | None = None
    reset_times: float | None = None
    reset_humidity: float | None = None
    pause_humidity: float | None = None
    pause_hours: float | None = None
    bake_first: bool = False


def _usual(level: str, hours: float) -> LevelRule:
    return LevelRule(
        level=level, hours=hours, short_hours=12.0, reset_times=5.0, reset_humidity=10.0, pause_humidity=10.0
    )


def _tender(level: str, hours: float, pause_humidity: float, pause_hours: float | None = None) -> LevelRule:
    return LevelRule(
        level=level,
        hours=hours,
        short_hours=8.0,
        reset_times=10.0,
        reset_humidity=5.0,
        pause_humidity=pause_humidity,
        pause_hours=pause_hours,
    )


# The hours are those of J-STD-020 (at 30 °C and 60 % RH or less) as public pages repeat them. What resets and
# pauses is from memory of J-STD-033, table 4-3. The pause of 5 and 5a is limited there; 80 h is ours: as long
# as the rule for short exposures can need.
LEVELS: tuple[LevelRule, ...] = (
    LevelRule(level="1", hours="unlimited"),
    _usual("2", 8760.0),
    _usual("2a", 672.0),
    _usual("3", 168.0),
    _tender("4", 72.0, 10.0),
    _tender("5", 48.0, 5.0, 80.0),
    _tender("5a", 24.0, 5.0, 80.0),
    LevelRule(level="6", hours="label", bake_first=True),
)


class FloorRules(msgspec.Struct, frozen=True, kw_only=True):
    """``factor``: the share of the hours that the hall's climate leaves. ``cabinet_humidity``: that of a dry
    cabinet where nobody says another. ``lead_minutes``: so long before the end people are told."""

    levels: tuple[LevelRule, ...] = LEVELS
    factor: float = 1.0
    cabinet_humidity: float = 10.0
    lead_minutes: float = 120.0

    def of(self, level: str | None) -> LevelRule | None:
        return next((rule for rule in self.levels if rule.level == level), None)


class Cared(msgspec.Struct, array_like=True, frozen=True):
    """What was done to a supply. ``humidity`` in % RH, of a dry cabinet."""

    at: Instant
    change: CareChange
    humidity: float | None = None
    by: str | None = None


class Exposure(msgspec.Struct, array_like=True):
    """What is known of one supply's openings: ``changes`` by their time. ``level`` and ``hours`` are those of
    its label."""

    changes: list[Cared] = []
    level: str | None = None
    hours: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FloorLife:
    """``left`` of the floor life, ``used`` of it and ``limit`` are spans; ``None``: not known, or there is no
    limit (``unlimited``). ``ends_at``: when it ends if nothing is done (where it has ended: when it did), or
    ``None`` while the clock stands. Where nobody knows the opening, ``at_most`` is left and ``over_by`` is
    when it has ended for certain. ``resets_at``: when the stay in the dry makes the clock begin anew.
    ``since``: since when it lies as it ``lies``."""

    state: State
    lies: Lies
    level: str | None = None
    since: Instant | None = None
    limit: Instant | None = None
    used: Instant | None = None
    left: Instant | None = None
    ends_at: Instant | None = None
    at_most: Instant | None = None
    over_by: Instant | None = None
    resets_at: Instant | None = None
    unlimited: bool = False
    reason: Reason | None = None


def read_level(raw: object) -> str | None:
    """``3`` of ``MSL3``, ``3`` or ``level 3``, ``2a`` of ``2A``; ``None`` where it can't be read."""
    if isinstance(raw, int):
        return str(raw) if not isinstance(raw, bool) and 1 <= raw <= 9 else None
    found = _LEVEL.fullmatch(raw.strip()) if isinstance(raw, str) else None
    return found[1].lower() if found else None


def note(exposure: Exposure, cared: Cared) -> None:
    """Take in what was done, in the order of the times at which it was. Beyond ``MOST_CHANGES`` the oldest
    stays in the dry are forgotten, so that they count as exposure."""
    if any(_order(each) == _order(cared) for each in exposure.changes):
        return
    changes = sorted([*exposure.changes, cared], key=_order)
    baked = max((place for place, each in enumerate(changes) if each.change == "baked"), default=0)
    exposure.changes = _few(changes[baked:])


def _order(cared: Cared) -> tuple[Instant, int, float]:
    """Of what is said of one moment the exposure comes last, to be on the safe side."""
    return cared.at, _RANK.index(cared.change), cared.humidity or 0.0


def _few(changes: list[Cared]) -> list[Cared]:
    kept = list(changes)
    while len(kept) > MOST_CHANGES:
        dry = next((place for place, each in enumerate(kept) if place and _is_away(each)), 1)
        del kept[dry]
    return kept


def _is_away(cared: Cared) -> bool:
    return cared.change in ("dry", "sealed")


def floor_life(exposure: Exposure | None, level: str | None, rules: FloorRules, at: Instant) -> FloorLife:
    """What is left at ``at``. ``level``: that of the part, where the supply's own label says none. What is to
    come after ``at`` isn't known."""
    known = exposure or Exposure()
    level = known.level or level
    clock = _Clock(rule=rules.of(level), label=known.hours, factor=rules.factor)
    for each in known.changes:
        if each.at <= at:
            clock.change(each, rules.cabinet_humidity)
    clock.settle(at)
    return clock.life(level, at)


def _span(hours: float) -> Instant:
    return round(hours * HOUR)


@dataclass(slots=True, kw_only=True)
class _Clock:
    """One spell after another. ``used`` is what was used up since the last reset, as far as it is known;
    ``complete``: nothing is unknown of it. ``resets``: how long this stay in the dry must last."""

    rule: LevelRule | None
    label: float | None
    factor: float
    lies: Lies = "unknown"
    since: Instant | None = None
    humidity: float = 100.0
    used: Instant = 0
    complete: bool = False
    baked: bool = False
    ended_at: Instant | None = None
    resets: Instant | None = None

    @property
    def limit(self) -> Instant | None:
        hours = None if self.rule is None else self.rule.hours
        hours = self.label if hours == "label" else hours
        return None if hours is None or isinstance(hours, str) else _span(hours * self.factor)

    def change(self, cared: Cared, cabinet: float) -> None:
        lies = _LIES[cared.change]
        humidity = (cabinet if cared.humidity is None else cared.humidity) if lies == "dry" else 100.0
        if (lies, humidity) == (self.lies, self.humidity) and cared.change != "baked":
            return
        self.settle(cared.at)
        if cared.change == "baked":
            self.used, self.ended_at, self.complete, self.baked = 0, None, True, True
        elif self.lies == "unknown" and cared.change in ("opened", "sealed"):
            self.complete = True  # it was, or is, in the bag as it came
        self.lies, self.humidity, self.since = lies, humidity, cared.at

    def settle(self, until: Instant) -> None:
        """The spell that began at ``since`` lasts until then."""
        self.resets = None
        if self.since is None:
            return
        if self.lies == "exposed":
            self._expose(self.since, until)
        elif self.lies == "dry":
            self.resets, stands = self._needed(), self._stands()
            again = self.resets if self.resets is not None and until - self.since >= self.resets else 0
            if again:
                self.used = 0
            if stands is not None:
                self._expose(self.since + max(stands, again), until)

    def _expose(self, begin: Instant, end: Instant) -> None:
        if end <= begin:
            return
        limit = self.limit
        if self.ended_at is None and limit is not None and end - begin >= limit - self.used:
            self.ended_at = begin + max(0, limit - self.used)
        self.used += end - begin

    def _needed(self) -> Instant | None:
        """So long in the dry makes the clock begin anew; ``None``: no time does."""
        rule = self.rule
        if rule is None or rule.short_hours is None or rule.reset_times is None:
            return None
        if not self.complete or self.ended_at is not None or self.used == 0:
            return None
        dry_enough = rule.reset_humidity is not None and self.humidity <= rule.reset_humidity
        if not dry_enough or self.used > _span(rule.short_hours * self.factor):
            return None
        return round(self.used * rule.reset_times)

    def _stands(self) -> Instant | None:
        """So long the clock stands still in this stay; ``None``: without end."""
        rule = self.rule
        if rule is None or rule.pause_humidity is None or self.humidity > rule.pause_humidity:
            return 0
        return None if rule.pause_hours is None else _span(rule.pause_hours)

    def life(self, level: str | None, at: Instant) -> FloorLife:
        lies, since, limit = self.lies, self.since, self.limit
        if self.rule is None:
            return FloorLife(state="unknown", lies=lies, level=level, since=since, reason="level")
        if self.rule.hours == "unlimited":
            return FloorLife(state=lies, lies=lies, level=level, since=since, unlimited=True)
        if limit is None:
            return FloorLife(state="unknown", lies=lies, level=level, since=since, reason="label")
        known = FloorLife(state=lies, lies=lies, level=level, since=since, limit=limit)
        if self.rule.bake_first and not self.baked:
            if lies == "exposed":
                return replace(known, state="expired", left=0, reason="bake")
            return replace(known, reason="bake")
        if self.ended_at is not None:
            used = self.used if self.complete else None
            return replace(known, state="expired", used=used, left=0, ends_at=self.ended_at)
        left, ends_at = limit - self.used, self._ends_at(limit, at)
        if not self.complete:
            return replace(known, state="unknown", at_most=left, over_by=ends_at, reason="opening")
        resets_at = self._resets_at(at)
        return replace(known, used=self.used, left=left, ends_at=ends_at, resets_at=resets_at)

    def _resets_at(self, at: Instant) -> Instant | None:
        moment = None if self.resets is None or self.since is None else self.since + self.resets
        return moment if moment is not None and moment > at else None

    def _ends_at(self, limit: Instant, at: Instant) -> Instant | None:
        left = limit - self.used
        if self.lies == "exposed":
            return at + left
        stands = self._stands()
        if self.lies != "dry" or self.since is None or stands is None:
            return None
        moves, resets_at = self.since + stands, self._resets_at(at)
        if resets_at is not None and resets_at <= moves:
            return moves + limit
        return max(at, moves) + left


_LIES: dict[CareChange, Lies] = {
    "opened": "exposed",
    "loaded": "exposed",
    "out": "exposed",
    "baked": "exposed",
    "sealed": "sealed",
    "dry": "dry",
}
