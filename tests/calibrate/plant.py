"""One station of made-up supplies that speaks to the real rules, message by message.

The program hears what a gateway would send: recipe, orders, loads with the declared quantity, totals after
each panel, the tower's signals. What is really in a supply stays here.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from service.domain import floor
from service.domain.events import (
    CountMessage,
    Message,
    OrderMessage,
    RecipeMessage,
    SlotCount,
    SupplyMessage,
    TowerMessage,
)
from service.domain.model import Change, Level
from service.domain.notices import Told
from service.domain.policy import Policy, SlotRule
from service.domain.world import World
from tests.calibrate.ask import panels_law
from tests.calibrate.life import HORIZONS, Asked, Life
from tests.calibrate.oracle import Oracle
from tests.calibrate.scenario import LEAD, Scenario
from tests.calibrate.supply import Sort, make

LINE, STATION = "L1", "P1"
SLOTS = 10
TAKT = 20_000_000
RECENT = 20
"""Panels over which consumption is averaged."""
_MARGIN = 3
"""A load with so few panels more than the lead began below it, for all that anybody could say."""


@dataclass(slots=True)
class Source:
    """A slot, or two that feed the same placements. ``used``: parts by panel, the last ones."""

    slots: list[str]
    sort: Sort
    of_slot: float
    by_turns: bool
    life: Life
    placed: dict[str, int] = field(default_factory=dict)
    lost: dict[str, int] = field(default_factory=dict)
    used: deque[int] = field(default_factory=lambda: deque([0], maxlen=RECENT))


class Plant:
    """Runs until ``learn`` supplies, to learn from, and ``test`` after them are empty."""

    def __init__(self, scenario: Scenario, *, seed: int, learn: int, test: int) -> None:
        self.scenario = scenario
        width = 2 if scenario.pairs else 1
        self.learn, self.last = learn // width, (learn + test) // width
        self.turn = self.learn + round(scenario.turn * (self.last - self.learn))
        made, seen, placing = np.random.SeedSequence(seed).spawn(3)
        self.chance, self.placing = np.random.default_rng(made), np.random.default_rng(placing)
        self.oracle = Oracle(scenario, np.random.default_rng(seen))
        self.world = World()
        self.now = 1_772_000_000_000_000
        self.seq = self.panel = self.numbers = self.loads = self.done = 0
        self.bad = False
        self.low: list[str] = []
        self.order = self.order_left = self.announced = 0
        self.lives: list[Life] = []
        self.sources: list[Source] = []
        self._begin()

    def run(self) -> list[Life]:
        while self.done < self.last:
            self._run_panel()
        return [life for life in self.lives if self.learn <= life.number < self.last]

    # Beginning

    def _begin(self) -> None:
        if self.scenario.sensor is not None:
            floor.change_policy(self.world, Policy(slots=[SlotRule(low_sensor=True)]), self.now)
        width = 2 if self.scenario.pairs else 1
        names = [f"F{number:02}" for number in range(1, SLOTS * width + 1)]
        shared = [names[at : at + width] for at in range(0, len(names), width)]
        sorts = self.scenario.sorts
        for at, slots in enumerate(shared):
            sort = sorts[at % len(sorts)]
            of_slot = sort.loss.of_slot(self.chance)
            zero = dict.fromkeys(slots, 0)
            life = self._next_life(slots, sort, of_slot)
            self.sources.append(
                Source(slots, sort, of_slot, at % 2 == 0, life, placed=zero.copy(), lost=zero.copy())
            )
        self._say(
            RecipeMessage(
                recipe="R1",
                usage={name: float(each.sort.usage * self.scenario.boards) for each, name in self._slots()},
                parts={name: each.sort.part for each, name in self._slots()},
                alternates=shared if width > 1 else [],
                boards_per_panel=self.scenario.boards,
            )
        )
        self._count([name for _, name in self._slots()])
        for source in self.sources:
            self._load(source)

    def _slots(self) -> list[tuple[Source, str]]:
        return [(source, name) for source in self.sources for name in source.slots]

    def _next_life(self, slots: list[str], sort: Sort, of_slot: float) -> Life:
        later = self.scenario.later
        label = later if later is not None and self.numbers >= self.turn else sort.label
        theta = self.scenario.sensor or (0.0, 0.0)
        supplies = [make(self.chance, sort, of_slot, label=label, theta=theta) for _ in slots]
        panels = sum(each.declared for each in supplies) / (sort.usage * self.scenario.boards)
        life = Life(self.numbers, supplies, [each for each in HORIZONS if each < panels])
        self.numbers += 1
        self.lives.append(life)
        return life

    def _load(self, source: Source) -> None:
        for name, supply in zip(source.slots, source.life.supplies, strict=True):
            self.loads += 1
            self._say(
                SupplyMessage(
                    slot=name,
                    change="loaded",
                    id=f"load-{self.loads}",
                    kind=supply.sort.kind,  # type: ignore[arg-type]
                    part=supply.sort.part,
                    quantity=supply.declared,
                )
            )

    # A panel

    def _run_panel(self) -> None:
        self.now += TAKT
        if self.scenario.orders and self.order_left == 0:
            self._next_order()
        boards = self._boards()
        for source in self.sources:
            self._place(source, source.sort.usage * boards)
        self.panel += 1
        self.order_left -= 1
        self._count([name for _, name in self._slots()])
        if self.scenario.sensor is not None:
            self._sense()
        for source in self.sources:
            self._ask(source)

    def _boards(self) -> int:
        skips, boards = self.scenario.skips, self.scenario.boards
        if skips is None:
            return boards
        turns = self.placing.random()
        self.bad = turns >= skips.ends if self.bad else turns < skips.begins
        return boards - int(self.placing.binomial(boards, skips.bad if self.bad else skips.calm))

    def _place(self, source: Source, wanted: int) -> None:
        """Give so many parts; where it runs out the station waits and is served."""
        used = 0
        while wanted > 0:
            for at in self._in_turn(source):
                supply, name = source.life.supplies[at], source.slots[at]
                before, dry = supply.picked, supply.out
                placed = supply.give(wanted)
                wanted -= placed
                source.placed[name] += placed
                source.lost[name] += supply.picked - before - placed
                used += supply.picked - before
                if wanted == 0:
                    break
                if not dry:
                    self._run_out(source, name)
            if wanted > 0:
                self._serve(source)
        source.used.append(used)

    def _in_turn(self, source: Source) -> list[int]:
        order = list(range(len(source.slots)))
        return order[::-1] if source.by_turns and self.panel % 2 else order

    def _run_out(self, source: Source, name: str) -> None:
        self._count([name])
        self._say(TowerMessage(lamps={"yellow": "flashing"}, buzzer="on", slots=[name]))
        if name in self.low:
            self.low.remove(name)
        if any(not each.out for each in source.life.supplies):
            self._all_clear()  # the other slot goes on

    def _serve(self, source: Source) -> None:
        """All that fed these placements is empty: a new load ends that life."""
        life = source.life
        life.ended = self.panel
        self.done += life.number < self.last
        self.now += 3 * TAKT
        source.life = self._next_life(source.slots, source.sort, source.of_slot)
        self._load(source)
        self._all_clear()

    def _all_clear(self) -> None:
        if self.low:
            self._say(TowerMessage(lamps={"yellow": "flashing", "green": "on"}, slots=list(self.low)))
        else:
            self._say(TowerMessage(lamps={"green": "on"}))

    def _sense(self) -> None:
        spoke = False
        for source, name in self._slots():
            supply = source.life.supplies[source.slots.index(name)]
            if supply.since_low is None and 0 < supply.left <= supply.theta:
                supply.since_low, supply.low_step = supply.picked, source.used[-1]
                self.low.append(name)
                spoke = True
        if spoke:
            self._all_clear()

    def _next_order(self) -> None:
        """Half of the orders are announced when the one before begins, the others when it is done."""
        if self.order and not self.announced:
            self._order(self.order, "finished")
        self.order += 1
        self.order_left = self.announced or self._order_size()
        self._order(self.order, "running", self.order_left)
        self.announced = self._order_size() if self.chance.random() < 0.5 else 0
        if self.announced:
            self._order(self.order + 1, "queued", self.announced)

    def _order_size(self) -> int:
        return int(self.chance.integers(80, 300))

    def _order(self, number: int, state: str, panels: int | None = None) -> None:
        self._say(OrderMessage(order=f"A{number}", recipe="R1", panels=panels, state=state))  # type: ignore[arg-type]

    # What is asked, what is told

    def _ask(self, source: Source) -> None:
        life, usage = source.life, source.sort.usage * self.scenario.boards
        book = life.book(tells_losses=self.scenario.tells_losses)
        passed = [each for each in life.due if book <= each * usage]
        if not passed or not self.learn <= life.number < self.last:
            return
        recent = sum(source.used) / len(source.used)
        law = panels_law(self.world, LINE, STATION, source.slots[0])
        oracle, knowing = (
            self.oracle.panels(life.supplies, source.sort.usage, bad=self.bad, knows=knows)
            for knows in (False, True)
        )
        left = max(book, 0)
        for each in passed:
            life.due.remove(each)
            life.asked.append(
                Asked(each, self.panel, law, oracle, knowing, left / usage, left / max(recent, 1e-9))
            )

    def _count(self, names: list[str]) -> None:
        self.seq += 1
        slots = {}
        for source, name in self._slots():
            if name in names:
                lost = source.lost[name] if self.scenario.tells_losses else None
                slots[name] = SlotCount(source.placed[name], lost)
        self._say(CountMessage(slots=slots, session="s1", seq=self.seq, panels=self.panel))

    def _say(self, message: Message) -> None:
        self.now += 1
        for told in floor.apply(self.world, message, line=LINE, station=STATION, at=self.now) or []:
            self._note(told, message)

    def _note(self, told: Told, message: Message) -> None:
        notice = told.notice
        if notice.kind != "supply" or told.change is not Change.OPENED or notice.level == Level.EMPTY:
            return
        source = next(each for each in self.sources if notice.slot in each.slots)
        life = source.life
        if life.warned is not None:
            return
        life.warned = self.panel
        usage = source.sort.usage * self.scenario.boards
        began = sum(each.declared for each in life.supplies) <= (LEAD + _MARGIN) * usage
        life.apart = began or isinstance(message, SupplyMessage | OrderMessage)
