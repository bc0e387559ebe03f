"""The command that says who would hear of something, before that is trusted: ``who``."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from zoneinfo import ZoneInfo

from service.bootstrap import wall_clock
from service.commands.common import Adding, moment, problem, settings_of
from service.domain.model import Instant, Level, Notice, to_datetime
from service.domain.policy import Policy
from service.domain.who import WEEK, Answer, Round, spans, supposed, who
from service.settings.people import KINDS


def add(commands: Adding, common: argparse.ArgumentParser) -> None:
    command = commands.add_parser("who", parents=[common], help="say who would hear of something, and when")
    command.add_argument("--line", required=True, metavar="NAME")
    command.add_argument("--station", metavar="NAME")
    command.add_argument("--kind", choices=KINDS, default="tape", help="of the supply or the notice")
    command.add_argument("--severity", choices=[each.value for each in Level], default=Level.EARLY.value)
    command.add_argument(
        "--at", metavar="TIME", help='in the site\'s time zone, "2026-03-01 03:00"; else now'
    )
    command.add_argument("--week", action="store_true", help="over the seven days from then, as it changes")
    command.set_defaults(run=_who)


def _who(known: argparse.Namespace) -> int:
    policy = settings_of(known).policy()
    try:
        at = wall_clock() if known.at is None else moment(known.at, policy.timezone)
    except ValueError as error:
        return problem(f"--at: {error}")
    notice = supposed(
        line=known.line,
        station=known.station,
        kind=known.kind,
        level=Level(known.severity),
        boundary_only=None,
        at=at,
    )
    if known.week:
        return _over_a_week(policy, notice, at)
    answer = who(policy, notice, at)
    local = to_datetime(at).astimezone(ZoneInfo(policy.timezone))
    print(f"{known.kind} on {known.line}, {known.severity}, {local:%A %Y-%m-%d %H:%M} {policy.timezone}")
    for line in _lines(answer):
        print(line)
    return 0 if answer.somebody else 1


def _over_a_week(policy: Policy, notice: Notice, at: Instant) -> int:
    zone = ZoneInfo(policy.timezone)
    found = spans(policy, notice, at, at + WEEK)
    for each in found:
        begin, end = (to_datetime(moment).astimezone(zone) for moment in (each.since, each.until))
        whom = ", ".join(each.people or each.outlets) or "nobody"
        print(f"{begin:%a %Y-%m-%d %H:%M} to {end:%a %H:%M}: {whom}")
    return 0 if all(each.outlets for each in found) else 1


def _lines(answer: Answer) -> Iterator[str]:
    for each in answer.rounds:
        yield f"  {_when(each)}: {_whom(each)}"
    if again := _after(answer.remind_minutes, answer.remind_panels):
        yield f"  said again every {again}, while nobody has taken it"
    if answer.off:
        yield f"  not now (off duty, or quiet hours): {', '.join(answer.off)}"
    if not answer.somebody:
        yield "  nobody hears of this"
    if answer.routes:
        yield f"  by route {', '.join(str(number + 1) for number in answer.routes)} of the configuration"


def _when(each: Round) -> str:
    after = _after(each.minutes, each.panels)
    return f"after {after}" if after else "at once"


def _after(minutes: float | None, panels: int | None) -> str:
    said = [f"{minutes:g} minutes"] if minutes else []
    return " or ".join([*said, *([f"{panels} panels"] if panels else [])])


def _whom(each: Round) -> str:
    by_name = [f"{name} ({outlet or 'reached by nothing'})" for name, outlet in each.people]
    theirs = {outlet for _, outlet in each.people}
    return ", ".join([*by_name, *(name for name in each.outlets if name not in theirs)]) or "nobody"
