"""What goes wrong between a machine and a broker: pure and seeded.

A gateway restarts, and its clock is wrong, before it says anything; all else is laid over the stream of its
messages, whatever their format. Each such fault takes one message at a time and answers with those that now
pass; ``flush`` gives up what it still holds. Repeats, losses and late ones are of counts and supplies: an
order that arrives late would be a different plant, not a worse network.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

from simulators.events import Counted, Event
from simulators.messages import Message
from simulators.plan import GatewayPlan, LinePlan
from simulators.streams import Streams


class Fault(Protocol):
    def pass_on(self, message: Message) -> list[Message]: ...

    def flush(self) -> list[Message]: ...


def chain(faults: Sequence[Fault], message: Message) -> list[Message]:
    """One message through all faults, first to last."""
    passing = [message]
    for fault in faults:
        passing = [out for each in passing for out in fault.pass_on(each)]
    return passing


def flush(faults: Sequence[Fault]) -> list[Message]:
    """What the faults still hold, each through those after it."""
    return [
        out
        for index, fault in enumerate(faults)
        for each in fault.flush()
        for out in chain(faults[index + 1 :], each)
    ]


def pass_all(faults: Sequence[Fault], messages: Iterable[Message]) -> Iterator[Message]:
    for message in messages:
        yield from chain(faults, message)
    yield from flush(faults)


def _touched(message: Message) -> bool:
    return message.kind in {"count", "supply"}


@dataclass(slots=True)
class Duplicates:
    """Says some things twice."""

    rng: random.Random
    chance: float

    def pass_on(self, message: Message) -> list[Message]:
        twice = _touched(message) and self.rng.random() < self.chance
        return [message, message] if twice else [message]

    def flush(self) -> list[Message]:
        return []


@dataclass(slots=True)
class LostCounts:
    """Never delivers some counts. Supplies always come through: they are said once, counts again and
    again."""

    rng: random.Random
    chance: float

    def pass_on(self, message: Message) -> list[Message]:
        return [] if message.kind == "count" and self.rng.random() < self.chance else [message]

    def flush(self) -> list[Message]:
        return []


@dataclass(slots=True)
class DroppedTowers:
    """Never delivers some states of a tower; the people in front of it see them all the same."""

    rng: random.Random
    chance: float

    def pass_on(self, message: Message) -> list[Message]:
        return [] if message.kind == "tower" and self.rng.random() < self.chance else [message]

    def flush(self) -> list[Message]:
        return []


@dataclass(slots=True)
class Reorder:
    """Holds some messages back until up to ``window`` later ones have passed."""

    rng: random.Random
    chance: float
    window: int
    _held: list[tuple[int, Message]] = field(default_factory=list)

    def pass_on(self, message: Message) -> list[Message]:
        if _touched(message) and self.rng.random() < self.chance:
            self._held.append((self.rng.randint(1, self.window), message))
            return []
        self._held = [(more - 1, held) for more, held in self._held]
        due = [held for more, held in self._held if more == 0]
        self._held = [(more, held) for more, held in self._held if more > 0]
        return [message, *due]

    def flush(self) -> list[Message]:
        held, self._held = self._held, []
        return [message for _, message in held]


@dataclass(slots=True)
class Restarts:
    """A station's gateway starts anew before some counts: it counts from zero again. What it counted before
    was said; nothing is lost. Happens to the gateway, whatever language it speaks."""

    rng: random.Random
    chance: float
    _life: str = ""
    _before: Counted | None = None
    """All it had counted when this life began."""
    _last: Counted | None = None

    def befall(self, event: Event) -> Event:
        """The event as the gateway knows it."""
        if not isinstance(event, Counted):
            return event
        last = self._last or replace(event, panels=0, slots={})
        if self.rng.random() < self.chance:
            self._life, self._before = f"{self.rng.getrandbits(32):08x}", last
        self._last = replace(event, slots={**last.slots, **event.slots})
        return event if self._before is None else self._since_restart(event, self._before)

    def _since_restart(self, event: Counted, before: Counted) -> Counted:
        none = (0, 0)
        return replace(
            event,
            life=self._life,
            panels=event.panels - before.panels,
            slots={
                name: (placed - before.slots.get(name, none)[0], lost - before.slots.get(name, none)[1])
                for name, (placed, lost) in event.slots.items()
            },
        )


def restarts_of(plan: GatewayPlan, seed: int, line: str, station: str) -> Restarts:
    return Restarts(Streams(seed, line, station).of("restart"), plan.restart)


def clocks_of(plan: GatewayPlan, line: LinePlan) -> dict[str | None, float]:
    """By how many seconds the clocks of a line's gateways are ahead of the truth; ``None``: of what speaks
    for the whole line, its first."""
    ahead: dict[str | None, float] = {
        each.station: plan.skew + plan.clock_lies.get(f"{line.line}/{each.station}", 0.0)
        for each in line.stations
    }
    return ahead | {None: ahead[line.stations[0].station]}


def faults_of(plan: GatewayPlan, seed: int, line: str, station: str) -> list[Fault]:
    """What goes wrong with one station's messages on their way, each with a chance of its own."""
    chance = Streams(seed, line, station).of
    possible: list[tuple[float, Fault]] = [
        (plan.lose, LostCounts(chance("lose"), plan.lose)),
        (plan.tower_dropout, DroppedTowers(chance("dropout"), plan.tower_dropout)),
        (plan.repeat, Duplicates(chance("repeat"), plan.repeat)),
        (plan.reorder, Reorder(chance("reorder"), plan.reorder, plan.window)),
    ]
    return [fault for wanted, fault in possible if wanted]
