"""The message budget as page, API and metrics show it: what was sent, whom it reached, and the figures that
the standards hold against it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass

from service.domain import budget
from service.domain.budget import BENCHMARKS, DAY, HOUR, Announced, Life, Load
from service.domain.floods import floods
from service.domain.model import Change, Instant, Level, to_rfc3339
from service.domain.notices import BETTER, ORDER_DONE
from service.domain.policy import Policy
from service.domain.standing import ENDED
from service.sent import About, Lately, NoticeRow, Sent, SentRow

Json = dict[str, object]
LONGEST: Instant = 31 * DAY
_RANKS = {level.value: level.rank for level in Level}
_BY_THEMSELVES = {BETTER, ORDER_DONE, ENDED}


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """``hearing``: who reads what an outlet sends; an outlet that isn't there is for programs."""

    sent: Sent
    hearing: Mapping[str, Sequence[str]]
    clock: Callable[[], Instant]

    def shown(self, *, since: Instant | None, until: Instant | None) -> Json:
        now = self.clock()
        end = now if until is None else until
        begin = (end - DAY) // HOUR * HOUR if since is None else since
        _check(begin, end)
        rows = self.sent.sent(since=begin, until=min(end, now))
        announced = list(announcements(rows))
        lives = self.sent.lives(since=begin)
        people = self._heard(rows)
        return {
            "from": to_rfc3339(begin),
            "to": to_rfc3339(end),
            "benchmarks": {name: asdict(each) for name, each in BENCHMARKS.items()},
            "people": [_person(who, people[who], begin, min(end, now)) for who in sorted(people)],
            **_things(rows, announced, lives, min(end, now)),
        }

    def lately(self) -> Lately:
        """A flood may go on for long: it is looked for since a day ago."""
        now = self.clock()
        rows = self.sent.sent(since=now - DAY, until=now)
        hour = {(row.outlet, row.at) for row in rows if row.sent and row.at >= now - HOUR}
        lives = [_life(row) for row in self.sent.lives(since=now)]
        return Lately(
            messages=Counter(outlet for outlet, _ in hour),
            floods={who: _is_flooded(moments, now) for who, moments in self._heard(rows).items()},
            stale=len(budget.stale(lives, now)),
            chattering=len(budget.chattering(announcements(rows))),
        )

    def _heard(self, rows: Iterable[SentRow]) -> dict[str, list[Instant]]:
        """The moments at which each person got a message. Whoever can hear one stands here, if only with
        none."""
        people: dict[str, list[Instant]] = {who: [] for each in self.hearing.values() for who in each}
        last: dict[str, tuple[Instant, set[str]]] = {}
        for row in rows:
            everybody = self.hearing.get(row.outlet)
            if not row.sent or everybody is None:
                continue
            at, reached = last.get(row.outlet, (None, set()))
            if at != row.at:
                reached = set()
                last[row.outlet] = row.at, reached
            mine = set(everybody).intersection(row.hears) if row.hears else ()
            for who in mine or everybody:
                if who not in reached:
                    reached.add(who)
                    people[who].append(row.at)
        return people


def readers(policy: Policy) -> dict[str, list[str]]:
    """Who reads what each outlet sends: the persons who have it, or whoever it is where nobody is named. What
    programs are told is nobody's message."""
    named: dict[str, list[str]] = {outlet: [] for outlet in policy.outlets if outlet not in policy.programs}
    for person in policy.people:
        for outlet in person.outlets:
            if outlet in named:
                named[outlet].append(person.name)
    return {outlet: people or [outlet] for outlet, people in named.items()}


def _check(begin: Instant, end: Instant) -> None:
    if begin >= end:
        raise ValueError("`from` isn't before `to`")
    if end - begin > LONGEST:
        raise ValueError("`from` and `to` lie more than 31 days apart")


def announcements(rows: Iterable[SentRow]) -> Iterator[Announced]:
    """Each word that called for somebody once, however many outlets told it: what is open, and what got worse
    while somebody had it."""
    seen = set()
    worst: dict[str, int] = {}
    for row in rows:
        notice, rank = row.about.notice, _RANKS[row.about.level]
        word = notice, row.version, row.change, row.reminded
        if word in seen:
            continue
        seen.add(word)
        if row.calls or (row.change is Change.CHANGED and rank > worst.get(notice, rank)):
            opens = row.change is Change.OPENED
            yield Announced(at=row.written_at, source=row.about.source, level=row.about.level, opens=opens)
        worst[notice] = max(rank, worst.get(notice, rank))


def _life(row: NoticeRow) -> Life:
    return Life(
        source=row.about.source,
        notice=row.about.notice,
        since=row.opened_at,
        until=row.closed_at,
        by_itself=row.closed_because in _BY_THEMSELVES,
    )


def _is_flooded(moments: Sequence[Instant], now: Instant) -> bool:
    found = floods(moments, now)
    return bool(found) and found[-1].until is None


def _person(who: str, moments: Sequence[Instant], begin: Instant, end: Instant) -> Json:
    load = budget.load_of(moments, begin, end)
    figures = {name: value for name, value in asdict(load).items() if name != "floods"}
    return {"who": who, **figures, "floods": _floods(load), "verdict": load.verdict.value}


def _floods(load: Load) -> list[Json]:
    return [
        {"from": to_rfc3339(each.since), "to": None if each.until is None else to_rfc3339(each.until)}
        for each in load.floods
    ]


def _things(
    rows: Sequence[SentRow], announced: Sequence[Announced], kept: Sequence[NoticeRow], now: Instant
) -> Json:
    """What was spoken of, and what of it too often, for too long or for nothing."""
    frequent, chatter = budget.most_frequent(announced), budget.chattering(announced)
    about = _named({*chatter, *(source for source, _ in frequent)}, rows)
    lives, notices = [_life(row) for row in kept], {row.about.notice: row.about for row in kept}
    old = budget.stale(lives, now)
    return {
        "announced": len(announced),
        "levels": budget.levels(announced),
        "frequent": [_thing(about[source]) | {"times": times} for source, times in frequent],
        "frequent_share": sum(times for _, times in frequent) / len(announced) if announced else None,
        "chattering": [_thing(about[source]) for source in chatter],
        "fleeting": len(budget.fleeting(lives, chatter)),
        "stale": [
            _thing(notices[each.notice]) | {"notice": each.notice, "since": to_rfc3339(each.since)}
            for each in old
        ],
    }


def _named(sources: set[str], rows: Iterable[SentRow]) -> dict[str, About]:
    """What each of them is about."""
    found: dict[str, About] = {}
    for row in rows:
        if len(found) == len(sources):
            break
        if row.about.source in sources:
            found[row.about.source] = row.about
    return found


def _thing(about: About) -> Json:
    return {name: getattr(about, name) for name in ("kind", "line", "station", "slot", "about")}
