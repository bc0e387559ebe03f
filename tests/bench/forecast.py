"""The forecast of 20,000 slots in one vectorised call, beside the bare special function; and what a count
costs where many slots are known beside where few are."""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np
from scipy.special import betainc

from service.domain import floor
from service.domain.depletion import PRIOR
from service.domain.events import CountMessage, Message, RecipeMessage, SlotCount, SupplyMessage
from service.domain.horizon import Horizon
from service.domain.inquiry import Question, Questions
from service.domain.law import usual
from service.domain.outlook import chances_due, panels_to_empty
from service.domain.world import World

SLOTS = 20_000
SLOTS_EACH = 8


@dataclass(frozen=True, slots=True)
class Seconds:
    """``quantiles`` (three of each slot), ``chances`` (one of each) and the ``bare`` call: betainc once for
    every slot and possibility, at the median of the panels to empty."""

    quantiles: float
    chances: float
    bare: float


def count_seconds(stations: int, *, counts: int = 400) -> float:
    """One count of one station (eight slots) among so many stations, best of five runs."""
    world = World()
    for number in range(stations):
        _tell(world, number, RecipeMessage(usage={_slot(each): 5.0 for each in range(SLOTS_EACH)}), 1)
        _tell(world, number, _count_message(0), 2)
        for each in range(SLOTS_EACH):
            load = SupplyMessage(slot=_slot(each), change="loaded", kind="tape", quantity=4000, id="1")
            _tell(world, number, load, 3)
    best = float("inf")
    for run in range(5):
        first = 1 + run * counts
        messages = [_count_message(first + number) for number in range(counts)]
        began = time.perf_counter()
        for number, message in enumerate(messages):
            _tell(world, stations // 2, message, 4 + first + number)
        best = min(best, time.perf_counter() - began)
    return best / counts


def _tell(world: World, station: int, message: Message, at: int) -> None:
    floor.apply(world, message, line="L", station=f"S{station}", at=at)


def _count_message(panel: int) -> CountMessage:
    slots = {_slot(each): SlotCount(placed=panel, lost=0) for each in range(SLOTS_EACH)}
    return CountMessage(slots=slots, session="s", seq=panel + 1, panels=panel // 5)


def _slot(number: int) -> str:
    return f"F{number}"


def forecast_ratio() -> Seconds:
    rng = np.random.default_rng(1)
    prior = PRIOR["tape"]
    questions = []
    for usage, left in zip(rng.integers(1, 25, SLOTS), rng.integers(50, 10_000, SLOTS), strict=True):
        parts, weight = usual("tape", 10_000).left(int(left))
        questions.append(
            Question(
                horizon=Horizon(usage=float(usage)),
                left=parts,
                weight=weight,
                a=prior.a,
                b=prior.b,
                blind=0.0,
            )
        )
    asked = Questions.of(questions)
    # Where the answer lies: far from it the special function costs next to nothing.
    middle = panels_to_empty(asked)[:, 1]
    a, b, need = asked.a[:, None], asked.b[:, None], asked.parts_needed(middle.astype(np.float64))
    room = np.maximum(asked.left - need, 0.0) + 1.0
    lead, endless = np.full(SLOTS, 10.0), np.full(SLOTS, np.inf)
    return Seconds(
        quantiles=min(_timed(lambda: panels_to_empty(asked)) for _ in range(5)),
        chances=min(_timed(lambda: chances_due(asked, lead, endless)) for _ in range(5)),
        bare=min(_timed(lambda: betainc(a, room, b / (b + need))) for _ in range(5)),
    )


def _timed(call: object) -> float:
    began = time.perf_counter()
    call()  # type: ignore[operator]
    return time.perf_counter() - began
