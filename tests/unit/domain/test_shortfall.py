"""Whether a supply lasts for the orders ahead: against plain arithmetic and against many made-up ends."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from service.domain.horizon import Horizon
from service.domain.inquiry import Question
from service.domain.judge import Case
from service.domain.model import Shortfall
from service.domain.outcome import forecast
from service.domain.policy import Policy
from service.domain.shortfall import orders_ahead, shortfalls
from service.usecases.show import Shown, slot_objects
from tests.support.story import Story


def at_work(quantity: int, *, kind: str = "tray", usage: int = 4, panels: int = 100) -> Story:
    """Slot F1 with so many parts, an order of so many panels just begun."""
    story = Story(Policy())
    story.recipe({"F1": usage}, "R", parts={"F1": "RES-1K"})
    story.first("F1")
    story.order("B-2214", "running", recipe="R", panels=panels)
    story.load("F1", quantity, kind=kind)
    return story


def of(story: Story, slot: str = "F1") -> Shortfall | None:
    case = story.case(slot)
    assert case is not None
    line = story.world.line("L3")
    return shortfalls([case], [forecast([case])[0].p50], [orders_ahead(line)])[0]


def test_parts_missing_are_what_the_order_needs_and_will_lose_less_what_is_left() -> None:
    """By hand: 100 panels of 4 are 400 parts, a tray's losses are believed to be 1 in 500: 0.8 more. A tray
    holds what is declared, 88, so 312.8 are missing: 313 whole ones."""
    assert of(at_work(88)) == Shortfall(parts=313, chance=1.0, order="B-2214", panels=100)


def test_a_supply_that_lasts_lacks_nothing() -> None:
    short = of(at_work(1000))
    assert short is not None
    assert (short.parts, short.order, short.panels) == (0, None, 100)
    assert short.chance < 1e-6


def test_what_runs_is_no_longer_needed() -> None:
    story = at_work(88, usage=1)
    story.run(30, {"F1": 1})
    short = of(story)
    assert short is not None
    assert (short.panels, short.parts) == (70, 13), "70 needed, 58 left, a tenth of a part lost, rounded up"


@pytest.mark.parametrize(
    ("quantity", "order", "parts"),
    [(300, "B-2214", 303), (450, "B-2215", 153), (603, None, 0)],
    ids=["the first", "the second", "neither"],
)
def test_the_first_order_that_it_cannot_complete_is_named(
    quantity: int, order: str | None, parts: int
) -> None:
    """100 panels of 4, then 50 of 4: 600 parts and 1.2 that are lost."""
    story = at_work(quantity)
    story.order("B-2215", "queued", recipe="R", panels=50)
    short = of(story)
    assert short is not None
    assert (short.order, short.panels) == (order, 150)
    assert abs(short.parts - parts) <= 1


def test_an_order_that_needs_another_part_here_is_no_part_of_it() -> None:
    story = at_work(300)
    story.recipe({"F1": 9}, "Q", parts={"F1": "CAP-1U"}, active=False)
    story.order("B-2215", "queued", recipe="Q", panels=50)
    short = of(story)
    assert short is not None
    assert short.panels == 100


def test_usage_may_differ_from_order_to_order() -> None:
    story = at_work(450)
    story.recipe({"F1": 9}, "Q", parts={"F1": "RES-1K"}, active=False)
    story.order("B-2215", "queued", recipe="Q", panels=50)
    short = of(story)
    assert short is not None
    assert (short.order, short.parts) == ("B-2215", 402), "400 + 450 + 1.7 lost - 450"


def test_without_a_limit_nothing_is_said() -> None:
    story = at_work(300)
    story.order("B-2215", "queued", recipe="R")
    assert of(story) is None
    assert shown(story)["order_short"] is None


def test_without_a_quantity_nothing_is_said() -> None:
    story = at_work(300)
    story.remove("F1")
    assert shown(story)["order_short"] is None


def why(story: Story) -> Any:
    """As the page of F1 gives it."""
    story.world.touch_all()
    committed = {key: data for key, data in story.world.take_changes().items() if data is not None}
    reading = Shown(committed=committed, archive=None, site="Tarn", reasons=list)  # type: ignore[arg-type]
    found = reading.explained("L3", "P1", "F1")
    assert found is not None
    return found["why"]


def shown(story: Story, slot: str = "F1") -> dict[str, object]:
    found = slot_objects(story.world, [story.station()])
    return next(each for each in found if each["slot"] == slot)


def test_slots_that_feed_together_are_short_together() -> None:
    story = Story(Policy())
    story.recipe({"F1": 4, "F2": 4}, "R", alternates=[["F1", "F2"]])
    story.first("F1", "F2")
    story.order("B-2214", "running", recipe="R", panels=100)
    story.load("F1", 188, kind="tray")
    story.load("F2", 100, kind="tray")
    assert of(story, "F1") == of(story, "F2") == Shortfall(113, 1.0, "B-2214", 100)


@pytest.mark.parametrize(
    ("need", "blind", "left"),
    [
        (400.0, 0.0, [380.0, 400.0, 430.0, 460.0]),
        (400.0, 900.0, [380.0, 400.0, 430.0, 460.0]),
        (90.0, 3000.0, [12.0, 40.0, 60.0, 80.0]),
        (4800.0, 200.0, [4400.0, 4700.0, 4900.0, 5000.0]),
    ],
    ids=["losses told", "losses not told", "nearly gone, not told", "a long order"],
)
def test_parts_and_chance_are_those_of_many_made_up_ends(
    need: float, blind: float, left: list[float]
) -> None:
    """Brute force: odds drawn from the belief, the supply from its possibilities, losses as Poisson at those
    odds; what would have been empty by now is left out, since it still feeds."""
    chance = np.random.default_rng(2214)
    weight, a, b, draws = np.array([0.1, 0.3, 0.4, 0.2]), 3.0, 600.0, 400_000
    question = Question(
        horizon=Horizon(steps=((need, 1.0),), usage=1.0),
        left=np.array(left),
        weight=weight,
        a=a,
        b=b,
        blind=blind,
    )
    (short,) = shortfalls([Case(question, int(need))], [0], [("B-2214",)])
    odds = chance.gamma(a, 1 / b, draws)
    really = chance.choice(left, draws, p=weight) - chance.poisson(odds * blind)
    feeds = really > 0
    lost = chance.poisson(odds * need)
    missing = (need + lost - really)[feeds]
    assert short is not None
    # The losses to come are reckoned without the news that it still feeds, which lowers the odds a little.
    spread = 3 * missing.std() / feeds.sum() ** 0.5
    bias = (odds.mean() - odds[feeds].mean()) * need
    assert missing.mean() - spread <= short.parts <= max(0.0, missing.mean()) + bias + spread + 1
    assert short.chance == pytest.approx((missing > 0).mean(), abs=0.004)


def test_the_warning_and_the_reasons_say_it_in_the_same_words() -> None:
    story = at_work(60)
    story.run(8, {"F1": 4})
    message = story.notice("F1").message
    assert (
        " about 06:05. It will not last order B-2214: 341 parts short. Bring one tray of RES-1K;" in message
    )
    _, second = why(story)["sentences"]
    short = of(story)
    assert short is not None
    assert second.endswith(f"from 10 %; it will not last order B-2214: {short.parts} parts short.")


def test_the_reasons_of_a_supply_that_lasts_dont_speak_of_it() -> None:
    assert why(at_work(1000))["sentences"][1].endswith("a warning is given from 10 %.")


def test_numbers_of_many_slots_are_those_of_each_alone() -> None:
    story = Story(Policy())
    story.recipe({"F1": 4, "F2": 9, "T1": 1}, "R")
    story.first("F1", "F2", "T1")
    story.order("B-2214", "running", recipe="R", panels=100)
    for slot, quantity, kind in (("F1", 390, "tape"), ("F2", 100, "tape"), ("T1", 140, "tray")):
        story.load(slot, quantity, kind=kind)
    story.run(3, {"F1": 4, "F2": 9, "T1": 1})
    for name in ("F1", "F2", "T1"):
        alone = of(story, name)
        assert alone is not None
        assert json.loads(json.dumps(shown(story, name)["order_short"])) == {
            "parts": alone.parts,
            "chance": alone.chance,
            "order": alone.order,
            "panels": alone.panels,
        }
