"""What goes wrong, in what order and when: all of it drawn from one seed and printed as it happens.

Every fault ends with fair weather; a kill is timed until the program is ready again."""

from __future__ import annotations

import random
import signal
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

import httpx

from tests.torture.stage import Stage

POINTS = {
    "rx_before_queue": 60,
    "rx_after_queue": 60,
    "after_events_applied": 8,
    "tx_begin": 8,
    "before_commit": 8,
    "after_commit_before_ack": 8,
    "mid_ack_batch": 60,
    "act_before_commit": 2,
    "act_after_commit": 2,
    "claim_before_commit": 3,
    "claim_after_commit": 3,
    "before_send": 3,
    "after_send_before_mark": 3,
    "after_mark": 3,
}
"""And the pass at which one may go off, at most."""
Say = Callable[[str], None]


@dataclass(slots=True)
class Toll:
    """What was done, and how long the program took to be ready again after each kill."""

    done: Counter[str] = field(default_factory=Counter)
    recoveries: list[float] = field(default_factory=list)
    """Seconds from each kill of the program until it was ready."""
    returns: list[float] = field(default_factory=list)
    """Seconds from the end of each other fault until it was ready."""
    exits: Counter[str] = field(default_factory=Counter)

    @property
    def kills(self) -> int:
        return sum(self.done[name] for name in ("SIGKILL", "SIGTERM", "crash point"))

    @property
    def brokers(self) -> int:
        return self.done["broker SIGTERM"] + self.done["broker SIGKILL"]


class Faults:
    """``run`` until the plan is fulfilled. Ends early when the harness itself has failed."""

    def __init__(self, stage: Stage, say: Say) -> None:
        self.stage = stage
        self.toll = Toll()
        self._say = say
        self._chance = random.Random(f"{stage.plan.seed}/faults")
        self._never = threading.Event()
        # One client, because each makes a TLS context; a connection for each request, as the program dies.
        self._http = httpx.Client(
            timeout=5, trust_env=False, limits=httpx.Limits(max_keepalive_connections=0)
        )
        self._began = time.monotonic()

    def run(self) -> Toll:
        plan = self.stage.plan
        others = self._others()
        while not self._is_enough():
            if self.stage.floor.failed is not None:
                raise self.stage.floor.failed
            self._pass(self._chance.uniform(0.2, 2.5))
            if others and self._chance.random() < self._share_of_others(len(others)):
                self._one_of(others)
            elif self.toll.kills < plan.kills or time.monotonic() - self._began < plan.seconds:
                self._kill()
            elif others:
                self._one_of(others)
        self._await_ready(self.toll.returns)
        return self.toll

    def _share_of_others(self, left: int) -> float:
        return left / (left + max(1, self.stage.plan.kills - self.toll.kills))

    def _is_enough(self) -> bool:
        plan, done = self.stage.plan, self.toll.done
        return (
            time.monotonic() - self._began >= plan.seconds
            and self.toll.kills >= plan.kills
            and self.toll.brokers >= plan.brokers
            and done["PostgreSQL immediate"] >= (plan.databases if self.stage.postgres else 0)
            and done["receivers away"] >= plan.outages
        )

    def _others(self) -> list[Callable[[], None]]:
        """The faults that aren't kills of the program, in the order in which they come."""
        plan = self.stage.plan
        others: list[Callable[[], None]] = [self._outage] * plan.outages
        others += [self._restart_broker, self._kill_broker] * (plan.brokers // 2)
        others += [self._kill_broker] * (plan.brokers % 2)
        others += [self._bad_weather] * (plan.kills // 5)
        others += [self._restart_database] * (plan.databases if self.stage.postgres else 0)
        self._chance.shuffle(others)
        return others

    def _one_of(self, others: list[Callable[[], None]]) -> None:
        others.pop()()
        self._await_ready(self.toll.returns)

    # The program

    def _kill(self) -> None:
        how = self._chance.random()
        if how < 0.15:
            self._crash_at_a_point()
        elif how < 0.3:
            self._note("SIGTERM")
            self._count_exit(self.stage.program.stop(30.0))
        else:
            self._note("SIGKILL")
            self.stage.program.kill()
        died = time.monotonic()
        self.stage.start()
        if self._chance.random() < 0.15:  # and again before it has come to itself
            self._pass(self._chance.uniform(0.05, 2.0))
            if self.stage.program.running:
                self._note("SIGKILL", "while it starts")
                self.stage.program.kill()
                died = time.monotonic()
            self.stage.start()
        self._await_ready(self.toll.recoveries, since=died)

    def _crash_at_a_point(self) -> None:
        """From a start on until it has ended there; a point nobody comes by is ended by hand."""
        point = self._chance.choice(sorted(POINTS))
        how = self._chance.choice(("exit", "exit", "raise"))
        text = f"{point}:{self._chance.randint(1, POINTS[point])}:{how}"
        program = self.stage.program
        program.kill()
        self._note("crash point", text)
        self.stage.start(text)
        deadline = time.monotonic() + 8.0
        while program.running and time.monotonic() < deadline:
            self._pass(0.1)
        if program.running:
            program.kill()
            self.toll.exits["survived its point"] += 1
        else:
            self._count_exit(program.wait())

    # The broker and the store

    def _restart_broker(self) -> None:
        self._note("broker SIGTERM")
        self.stage.broker.restart(signal.SIGTERM)

    def _kill_broker(self) -> None:
        """Half of the times while the program is away, so that the broker holds what it then loses."""
        away = self._chance.random() < 0.5
        self._note("broker SIGKILL", "with the program away" if away else "")
        if away:
            self.stage.program.kill()
            self._note("SIGKILL")
            self._pass(self._chance.uniform(0.3, 2.0))
        self.stage.broker.restart(signal.SIGKILL)
        if away:
            died = time.monotonic()
            self.stage.start()
            self._await_ready(self.toll.recoveries, since=died)

    def _restart_database(self) -> None:
        assert self.stage.postgres is not None
        self._note("PostgreSQL immediate")
        self.stage.postgres.stop_immediately()
        self._pass(self._chance.uniform(0.0, 2.0))
        self.stage.postgres.start()

    # Wires and receivers

    def _bad_weather(self) -> None:
        name = self._chance.choice(sorted(self.stage.wires))
        wire = self.stage.wires[name]
        faults: dict[str, Callable[[], None]] = {
            "cut": wire.cut,
            "reset": wire.reset,
            "black hole up": lambda: wire.black_hole("up"),
            "replies dropped": wire.drop_replies,
            "delay": lambda: wire.delay(0.05),
            "slices": lambda: wire.slice(self._chance.randint(1, 7)),
        }
        fault = self._chance.choice(sorted(faults))
        self._note("wire", f"{name}: {fault}")
        faults[fault]()
        self._pass(self._chance.uniform(0.2, 3.0))
        wire.heal()

    def _outage(self) -> None:
        """Receivers go away; the program may be killed meanwhile, as it may at any time."""
        hook, mail = self._chance.choice(((True, True), (True, False), (False, True)))
        self._note("receivers away", "hook and mail" if hook and mail else "hook" if hook else "mail")
        self.stage.receivers.away(hook=hook, mail=mail)
        self._pass(self._chance.uniform(0.2, 1.0) * min(12.0, self.stage.plan.seconds / 5))
        if self._chance.random() < 0.5:
            self._kill()
        self.stage.receivers.back()
        self.stage.receivers.refuse_mail()

    # Time

    def _await_ready(self, times: list[float], since: float | None = None) -> None:
        """As a supervisor does: what ends by itself is started again."""
        begin = time.monotonic() if since is None else since
        program = self.stage.program
        deadline = begin + self.stage.plan.ready_within
        while not self._is_ready():
            if not program.running:
                code = program.wait()
                self.toll.exits[f"by itself {code}"] += 1
                self._say(f"the program ended by itself with {code}: started again")
                self.stage.start()
            assert time.monotonic() < deadline, f"not ready\n{program.tail()}"
            self._pass(0.05)
        times.append(time.monotonic() - begin)

    def _is_ready(self) -> bool:
        try:
            return self._http.get(f"{self.stage.url}/readyz").status_code == httpx.codes.OK
        except httpx.TransportError:
            return False

    def _pass(self, seconds: float) -> None:
        self._never.wait(seconds)

    def _count_exit(self, code: int) -> None:
        self.toll.exits[str(code)] += 1

    def _note(self, what: str, more: str = "") -> None:
        self.toll.done[what] += 1
        number = self.toll.done.total()
        seconds = time.monotonic() - self._began
        self._say(f"{seconds:7.1f} s  #{number:<4} {what}{f' ({more})' if more else ''}")
