"""The times of a station or a line by SEMI E10 and ISO 22400-2, and the key figures that follow from them.

Nothing is clamped: a figure above 1 says that something it stands on is out of date, such as an ideal takt.
A figure whose denominator is 0, or of which a part isn't known, is ``None``.

``times_object`` gives, for each station and for the line (durations are whole milliseconds)::

    {"from", "to", "wall_ms", "unheard_ms",
     "causes": {"work": ms, "supply": ms, ...},                   # longest first; add up to wall_ms
     "e10": {"total_ms", "operations_ms", "uptime_ms", "manufacturing_ms", "productive_ms", "standby_ms",
             "engineering_ms", "downtime_ms", "scheduled_downtime_ms", "unscheduled_downtime_ms",
             "non_scheduled_ms",
             "states": [{"state", "code", "cause" | null, "time_ms"}]},  # longest first; add up to wall_ms
     "iso": {"pbt_ms", "aubt_ms", "aupt_ms", "apt_ms", "aust_ms", "adet_ms", "adot_ms", "outside_ms",
             "aoet_ms" | null, "pq" | null, "gq" | null, "pru_ms" | null,
             "pru_from": "configured" | "learned" | null},
     "kpis": {"availability", "effectiveness", "quality_ratio", "oee", "oee_without_quality",
              "utilisation_efficiency", "allocation_efficiency", "allocation_ratio", "technical_efficiency",
              "production_process_ratio", "setup_ratio", "throughput_per_hour"},        # number or null
     "failures": {"causes": ["fault"], "number", "broken_ms", "count": "classical" | "plus one",
                  "mtbf_ms" | null, "mttr_ms" | null},
     "mapping": [{"cause", "e10", "time", "code"}]}                # what counted as what
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.domain.making import Made
from service.domain.model import Instant, Span, milliseconds, to_rfc3339
from service.domain.reviewing import E10, FailureCount, ReviewRules, Time
from service.domain.states import Mapped, Piece, pieces_of
from service.domain.track import Cause, Stretch

_HOUR_MS = 3_600_000
_DIGITS = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Failures:
    """``number`` of runs of stops that were failures, with work between them; ``worked`` and ``broken`` are
    milliseconds of set-up and production, and of those stops."""

    number: int
    worked: int
    broken: int

    def mean_between(self, count: FailureCount) -> float | None:
        """MTBF: operating time by failures, which includes set-up and leaves out delays."""
        return _share(self.worked, self._by(count))

    def mean_to_repair(self, count: FailureCount) -> float | None:
        return _share(self.broken, self._by(count))

    def _by(self, count: FailureCount) -> int:
        return self.number + (count == "plus one")


@dataclass(frozen=True, slots=True, kw_only=True)
class Times:
    """In milliseconds; each of ``by_cause`` (``None``: work), ``e10`` and ``iso`` adds up to ``wall``."""

    since: Instant
    until: Instant
    pieces: tuple[Piece, ...]
    by_cause: Mapping[Cause | None, int]
    e10: Mapping[E10, int]
    iso: Mapping[Time, int]
    failures: Failures
    mapped: Mapped

    @property
    def wall(self) -> int:
        return milliseconds(self.since, self.until)

    @property
    def setting_up_or_producing(self) -> int:
        """AUPT."""
        return self.iso[Time.PRODUCTION] + self.iso[Time.SET_UP]

    @property
    def busy(self) -> int:
        """AUBT."""
        return self.setting_up_or_producing + self.iso[Time.DELAY]

    @property
    def planned_busy(self) -> int:
        """PBT: all but what was planned to stand."""
        return self.wall - self.iso[Time.PLANNED_DOWN]


def times_of(
    stretches: Sequence[Stretch],
    mapped: Mapped,
    *,
    rules: ReviewRules | None = None,
    trials: Sequence[Span] = (),
) -> Times:
    """Raises ``ValueError`` where the stretches don't follow one another, or there are none."""
    if not stretches:
        raise ValueError("there is no time to divide")
    pieces = pieces_of(stretches, mapped, trials)
    by_cause: dict[Cause | None, int] = {}
    e10, iso = dict.fromkeys(E10, 0), dict.fromkeys(Time, 0)
    for piece in pieces:
        by_cause[piece.cause] = by_cause.get(piece.cause, 0) + piece.ms
        e10[piece.counts.e10] += piece.ms
        iso[piece.counts.time] += piece.ms
    return Times(
        since=stretches[0].since,
        until=stretches[-1].until,
        pieces=tuple(pieces),
        by_cause=by_cause,
        e10=e10,
        iso=iso,
        failures=_failures(pieces, (rules or ReviewRules()).failures, iso),
        mapped=mapped,
    )


def _failures(pieces: Sequence[Piece], causes: Sequence[str], iso: Mapping[Time, int]) -> Failures:
    number, broken, down = 0, 0, False
    for piece in pieces:
        if piece.cause in causes:
            number += not down
            broken += piece.ms
            down = True
        elif piece.cause is None:
            down = False
    return Failures(number=number, worked=iso[Time.PRODUCTION] + iso[Time.SET_UP], broken=broken)


def kpis(times: Times, made: Made) -> dict[str, float | None]:
    """The key figures of ISO 22400-2 (formulas: its public ontology). ``oee_without_quality`` is ours: where
    nobody says what was good there is no OEE, and a quality of 1 would be invented."""
    produced, delayed = times.iso[Time.PRODUCTION], times.iso[Time.DELAY]
    availability = _share(produced, times.planned_busy)
    effectiveness = _share(made.planned_run, produced)
    quality = _share(made.good, made.panels)
    without_quality = _product(availability, effectiveness)
    return {
        "availability": availability,
        "effectiveness": effectiveness,
        "quality_ratio": quality,
        "oee": _product(without_quality, quality),
        "oee_without_quality": without_quality,
        "utilisation_efficiency": _share(produced, times.busy),
        "allocation_efficiency": _share(times.busy, times.planned_busy),
        "allocation_ratio": _share(times.busy, made.executed),
        "technical_efficiency": _share(produced, produced + delayed),
        "production_process_ratio": _share(produced, made.executed),
        "setup_ratio": _share(times.iso[Time.SET_UP], times.setting_up_or_producing),
        "throughput_per_hour": _product(_share(made.panels, made.executed), _HOUR_MS),
    }


def _share(part: float | None, whole: float | None) -> float | None:
    return None if part is None or not whole else part / whole


def _product(one: float | None, other: float | None) -> float | None:
    return None if one is None or other is None else one * other


def times_object(times: Times, made: Made, rules: ReviewRules) -> dict[str, Any]:
    """As the module says."""
    figures = kpis(times, made)
    return {
        "from": to_rfc3339(times.since),
        "to": to_rfc3339(times.until),
        "wall_ms": times.wall,
        "unheard_ms": times.by_cause.get(Cause.UNHEARD, 0),
        "causes": {cause or "work": ms for cause, ms in _longest_first(times.by_cause)},
        "e10": _e10_object(times),
        "iso": _iso_object(times, made),
        "kpis": {name: None if value is None else round(value, _DIGITS) for name, value in figures.items()},
        "failures": _failures_object(times.failures, rules),
        "mapping": [
            {"cause": cause, "e10": counts.e10, "time": counts.time, "code": counts.code}
            for cause, counts in times.mapped.items()
        ],
    }


def _longest_first(sums: Mapping[Cause | None, int]) -> list[tuple[Cause | None, int]]:
    return sorted(sums.items(), key=lambda each: (-each[1], each[0] or ""))


def _e10_object(times: Times) -> dict[str, Any]:
    state = times.e10
    manufacturing = state[E10.PRODUCTIVE] + state[E10.STANDBY]
    uptime = manufacturing + state[E10.ENGINEERING]
    downtime = state[E10.SCHEDULED] + state[E10.UNSCHEDULED]
    return {
        "total_ms": times.wall,
        "operations_ms": uptime + downtime,
        "uptime_ms": uptime,
        "manufacturing_ms": manufacturing,
        "productive_ms": state[E10.PRODUCTIVE],
        "standby_ms": state[E10.STANDBY],
        "engineering_ms": state[E10.ENGINEERING],
        "downtime_ms": downtime,
        "scheduled_downtime_ms": state[E10.SCHEDULED],
        "unscheduled_downtime_ms": state[E10.UNSCHEDULED],
        "non_scheduled_ms": state[E10.NON_SCHEDULED],
        "states": _states(times.pieces),
    }


def _states(pieces: Sequence[Piece]) -> list[dict[str, Any]]:
    sums: dict[tuple[E10, str, Cause | None], int] = {}
    for piece in pieces:
        key = piece.counts.e10, piece.counts.code, piece.cause
        sums[key] = sums.get(key, 0) + piece.ms
    return [
        {"state": state, "code": code, "cause": cause, "time_ms": ms}
        for (state, code, cause), ms in sorted(sums.items(), key=lambda each: (-each[1], each[0][1]))
    ]


def _iso_object(times: Times, made: Made) -> dict[str, Any]:
    takt = _share(made.planned_run, made.panels)
    return {
        "pbt_ms": times.planned_busy,
        "aubt_ms": times.busy,
        "aupt_ms": times.setting_up_or_producing,
        "apt_ms": times.iso[Time.PRODUCTION],
        "aust_ms": times.iso[Time.SET_UP],
        "adet_ms": times.iso[Time.DELAY],
        "adot_ms": times.iso[Time.DOWN],
        "outside_ms": times.iso[Time.PLANNED_DOWN],
        "aoet_ms": made.executed,
        "pq": made.panels,
        "gq": made.good,
        "pru_ms": None if takt is None else round(takt),
        "pru_from": made.takt_from,
    }


def _failures_object(failures: Failures, rules: ReviewRules) -> dict[str, Any]:
    between, repair = (
        failures.mean_between(rules.failure_count),
        failures.mean_to_repair(rules.failure_count),
    )
    return {
        "causes": list(rules.failures),
        "number": failures.number,
        "broken_ms": failures.broken,
        "count": rules.failure_count,
        "mtbf_ms": None if between is None else round(between),
        "mttr_ms": None if repair is None else round(repair),
    }
