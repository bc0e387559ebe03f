"""What people would have been sent under supposed settings, and when, with messages that bundle at the real
pace.

Whoever takes a warning and exchanges a supply does so when the model of people says, not when it was
recorded: else settings that warn earlier would seem to remind people of what they would have done by then.
All other notices are told as they came.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from service.domain.model import Change, Instant, Level, NoticeState
from service.domain.notices import Told
from service.domain.policy import Policy
from service.domain.routing import hearing
from service.usecases.budget import readers
from service.usecases.emptied import Emptied, notice_of
from service.usecases.posts import Posts
from service.usecases.suppose import Supposed

EVERYBODY = "everybody"
"""Who hears what calls for somebody where the settings name no outlet that people read."""
Readers = Mapping[str, Sequence[str]]


@dataclass(frozen=True, slots=True)
class Reaction:
    """When somebody set out for a supply, and when the next was there; ``None``: never."""

    taken: Instant | None
    refilled: Instant | None


@dataclass(slots=True)
class Mailed:
    """``posts``: messages to outlets; ``heard``: the moments of each person's."""

    posts: int = 0
    heard: dict[str, list[Instant]] = field(default_factory=dict)


def reads(policy: Policy) -> Readers:
    """Who reads what each outlet sends."""
    return readers(policy) or {EVERYBODY: [EVERYBODY]}


def mailed(supposed: Supposed, reactions: Sequence[Reaction], until: Instant) -> Mailed:
    """Everything up to ``until``; ``reactions`` to the supplies that came to their end, in their order."""
    rounds = _Rounds()
    changes: list[tuple[Instant, int, Policy | Told]] = [(at, 0, each) for at, each in supposed.policies]
    ends = {each.notice for each in supposed.emptied}
    changes += [(at, 1, told) for at, told in supposed.told if told.notice.id not in ends]
    for ended, reaction in zip(supposed.emptied, reactions, strict=True):
        changes += [(at, 1, told) for at, told in _life(supposed, ended, reaction)]
    for at, _, each in sorted(changes, key=lambda change: change[:2]):
        if at > until:
            break
        rounds.run(at)
        if isinstance(each, Policy):
            rounds.settle(each)
        else:
            rounds.put(each, at)
    rounds.run(until)
    return rounds.mailed


def _life(supposed: Supposed, ended: Emptied, reaction: Reaction) -> Iterator[tuple[Instant, Told]]:
    """The changes of its notice: what was told until somebody took it, and that it was taken and closed."""
    over = [each for each in (reaction.taken, reaction.refilled) if each is not None]
    words = [word for word in ended.words if not over or word.at <= min(over)]
    worst = 0
    for version, word in enumerate(words, 1):
        level = Level(word.level)
        worse = Change.OPENED if version == 1 else Change.CHANGED
        change = worse if level.rank > worst else Change.REMINDED
        worst = max(worst, level.rank)
        yield word.at, Told(notice_of(ended, level, word.at, version=version), change, outlets=word.outlets)
    if not words:
        return
    version, level = len(words), Level(words[-1].level)
    for at, state, change in (
        (reaction.taken, NoticeState.TAKEN, Change.CHANGED),
        (reaction.refilled, NoticeState.CLOSED, Change.CLOSED),
    ):
        if at is not None:
            version += 1
            notice = notice_of(ended, level, at, state=state, version=version)
            outlets = hearing(supposed.policy, notice, at, calls=False, change=change).outlets
            yield at, Told(notice, change, calls=False, outlets=outlets)


class _Rounds:
    """The outlets of the settings in force, one look after another."""

    def __init__(self) -> None:
        self.mailed = Mailed()
        self._readers: Readers = {}
        self._posts = Posts(())

    def settle(self, policy: Policy) -> None:
        """Other people and outlets from now on; what waits for those before isn't sent any more."""
        now = reads(policy)
        if now != self._readers:
            self._readers, self._posts = now, Posts(now)
        for people in now.values():
            for who in people:
                self.mailed.heard.setdefault(who, [])

    def put(self, told: Told, at: Instant) -> None:
        if EVERYBODY in self._readers:
            told = Told(told.notice, told.change, told.calls, (EVERYBODY,) if told.calls else ())
        self._posts.put(told, at)

    def run(self, until: Instant) -> None:
        """All that goes out by then."""
        while (look := self._posts.next_at()) is not None and look <= until:
            for post in self._posts.send(look):
                self.mailed.posts += 1
                for who in self._readers[post.outlet]:
                    self.mailed.heard[who].append(post.at)
