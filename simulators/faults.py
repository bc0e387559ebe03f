"""What goes wrong between a machine and a broker, laid over a stream of messages: pure and seeded.

Each fault takes one message at a time and answers with those that now pass; ``flush`` gives up what it still
holds. Repeats, losses and late ones are of counts and supplies: an order that arrives late would be a
different plant, not a worse network.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Protocol

from simulators.messages import Message, encode_json, rfc3339
from simulators.plan import GatewayPlan
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
    """A gateway starts anew before some counts: a new session, numbered and counted from zero. What it
    counted before is in the old session; nothing is lost."""

    rng: random.Random
    chance: float
    _sessions: dict[str, str] = field(default_factory=dict)
    _before: dict[str, dict[str, Any]] = field(default_factory=dict)
    _last: dict[str, dict[str, Any]] = field(default_factory=dict)

    def pass_on(self, message: Message) -> list[Message]:
        if message.kind != "count":
            return [message]
        body = json.loads(message.payload)
        last = self._last.setdefault(message.topic, {"seq": 0, "panels": 0, "slots": {}})
        if self.rng.random() < self.chance:
            self._sessions[message.topic] = f"{self.rng.getrandbits(32):08x}"
            self._before[message.topic] = {**last, "slots": dict(last["slots"])}
        last["seq"], last["panels"] = body["seq"], body["panels"]
        last["slots"].update(body["slots"])
        if message.topic not in self._sessions:
            return [message]
        return [Message(message.topic, encode_json(self._since_restart(message.topic, body)))]

    def _since_restart(self, topic: str, body: dict[str, Any]) -> dict[str, object]:
        before = self._before[topic]
        none = {"placed": 0, "lost": 0}
        return {
            **body,
            "session": self._sessions[topic],
            "seq": body["seq"] - before["seq"],
            "panels": body["panels"] - before["panels"],
            "slots": {
                name: {key: total - before["slots"].get(name, none)[key] for key, total in totals.items()}
                for name, totals in body["slots"].items()
            },
        }

    def flush(self) -> list[Message]:
        return []


@dataclass(slots=True)
class Skew:
    """A clock that is wrong by ``seconds`` (ahead of the truth when positive)."""

    seconds: float

    def pass_on(self, message: Message) -> list[Message]:
        body = json.loads(message.payload) if message.payload else {}
        if "at" not in body:
            return [message]
        body["at"] = rfc3339(datetime.fromisoformat(body["at"]) + timedelta(seconds=self.seconds))
        return [Message(message.topic, encode_json(body), message.retain)]

    def flush(self) -> list[Message]:
        return []


def faults_of(plan: GatewayPlan, seed: int, line: str, station: str) -> list[Fault]:
    """What goes wrong with one station's messages, from the machine to the wire, each with a chance of its
    own."""
    chance = Streams(seed, line, station).of
    ahead = plan.skew + plan.clock_lies.get(f"{line}/{station}", 0.0)
    possible: list[tuple[float, Fault]] = [
        (ahead, Skew(ahead)),
        (plan.restart, Restarts(chance("restart"), plan.restart)),
        (plan.lose, LostCounts(chance("lose"), plan.lose)),
        (plan.tower_dropout, DroppedTowers(chance("dropout"), plan.tower_dropout)),
        (plan.repeat, Duplicates(chance("repeat"), plan.repeat)),
        (plan.reorder, Reorder(chance("reorder"), plan.reorder, plan.window)),
    ]
    return [fault for wanted, fault in possible if wanted]
