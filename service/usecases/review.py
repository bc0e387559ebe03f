"""The review of a recorded time, as one JSON object: what happened, why stations stood, what the warnings
gave, what was lost.

Pure: the same recording and the same settings in it give the same object to the last digit. Moments are RFC
3339 in UTC, lengths whole milliseconds (``…_ms``), what isn't known is null. What is said in words stands
twice: in English, and as ``said``, to be put into any language.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Any
from zoneinfo import ZoneInfo

import msgspec

from service.domain.events import JournalEntry
from service.domain.hourly import hours_of
from service.domain.losses import Usual, losses_of
from service.domain.losses_shown import losses_objects
from service.domain.model import Instant, to_rfc3339
from service.domain.notices import Told
from service.domain.plan_kept import plan_kept
from service.domain.policy import Policy
from service.domain.stops import stretches
from service.domain.track import Track
from service.domain.warned import given
from service.domain.world import World
from service.usecases.judged import forecast_object, plan_objects, warnings_object
from service.usecases.moments import Moments
from service.usecases.observe import Watch, observe
from service.usecases.stood import Stood, line_objects, lost_object, orders_of, stop_objects
from service.usecases.summed_up import summary
from service.usecases.taught import Taught
from service.wire.journal import Manifest, parse_line
from service.wire.native import Misfit

Json = dict[str, Any]
FORMAT = 1


class NothingThere(Exception):
    """There is nothing to review; the text says what was looked for."""


def review(
    lines: Iterable[bytes],
    *,
    since: Instant | None = None,
    until: Instant | None = None,
    line: str | None = None,
    progress: Callable[[int], None] | None = None,
) -> Json:
    """Of ``line`` alone, or of all. ``progress`` hears how many entries were read. ``Unfit``: a line of the
    recording isn't ours; ``NothingThere``: no such line, or no entry in that time."""
    first_and_last, last_line, taught, ahead = _Moments(), _LastLine(lines), Taught(), Moments()
    watch: list[Watch] = [first_and_last, taught, ahead]
    track = observe(last_line, since=since, until=until, watch=watch, progress=progress)
    if track.entries == 0:
        raise NothingThere("the recording has no entry in that time")
    if line is not None:
        if line not in track.lines:
            raise NothingThere(f"no line {line!r} in that time; there are {', '.join(sorted(track.lines))}")
        track = _only(track, line)
    found = _report(track, taught.usual)
    found["recording"] = {
        "entries": track.entries,
        "messages": track.messages,
        "first": to_rfc3339(first_and_last.first or track.since),
        "last": to_rfc3339(first_and_last.last or track.since),
        "pseudonyms": last_line.pseudonyms(),
    }
    found["moments"] = [each for each in ahead.objects() if each["line"] in track.lines]
    plain: Json = msgspec.json.decode(msgspec.json.encode(found))
    return plain


def _report(track: Track, usual: Usual) -> Json:
    zone = ZoneInfo(track.policy.timezone)
    stood = Stood(track, stretches(track), orders_of(track))
    stops, warned = stood.stops(), given(track)
    plans = [
        plan_kept(each, track.until, [stop for stop in stops if stop.line == name])
        for name, each in sorted(track.lines.items())
    ]
    report: Json = {
        "format": FORMAT,
        "site": track.site,
        "timezone": track.policy.timezone,
        "from": to_rfc3339(track.since),
        "to": to_rfc3339(track.until),
        "recording": {},
        "settings": _settings(track),
        "summary": [],
        "lines": line_objects(stood),
        "stops": stop_objects(stops, zone),
        "lost": lost_object(stood),
        "warnings": warnings_object(track, warned),
        "losses": losses_objects(losses_of(track, usual=usual), track.policy.review, zone),
        "forecast": forecast_object(track),
        "plan": plan_objects(plans),
        "hours": [msgspec.to_builtins(each) for each in hours_of(track, stood.stretches, stood.orders)],
    }
    report["summary"] = summary(report, zone)
    return report


def _settings(track: Track) -> Json:
    """Those at the end; ``changed``: when others came in force meanwhile."""
    policy: Policy = track.policy
    return {
        "warn": msgspec.to_builtins(policy.warn),
        "rules": msgspec.to_builtins(policy.rules),
        "review": msgspec.to_builtins(policy.review),
        "plan": msgspec.to_builtins(policy.plan),
        "people": len(policy.people),
        "outlets": len(policy.outlets),
        "changed": [to_rfc3339(at) for at, _ in track.policies[1:]],
    }


def _only(track: Track, line: str) -> Track:
    """What concerns one line."""
    told = [(at, each) for at, each in track.told if each.notice.line == line]
    mine = {each.notice.id for _, each in told}
    return replace(
        track,
        lines={line: track.lines[line]},
        told=told,
        acts=[each for each in track.acts if each.notice in mine],
        outcomes=[(kind, each) for kind, each in track.outcomes if each.line == line],
    )


@dataclass(slots=True)
class _Moments:
    """Of the first entry and the last."""

    first: Instant | None = None
    last: Instant | None = None

    def look(self, world: World, at: Instant, entry: JournalEntry, told: list[Told]) -> None:
        self.first = at if self.first is None else self.first
        self.last = at


@dataclass(slots=True)
class _LastLine:
    """The lines of a recording, and what a manifest at their end says of it."""

    lines: Iterable[bytes]
    last: bytes = b""

    def __iter__(self) -> Iterator[bytes]:
        for each in self.lines:
            self.last = each if each.strip() else self.last
            yield each

    def pseudonyms(self) -> bool | None:
        """``None``: no manifest was read that would say it."""
        try:
            what = parse_line(self.last).what
        except Misfit:
            return None
        return what.pseudonyms if isinstance(what, Manifest) else None
