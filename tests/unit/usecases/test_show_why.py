"""Why a number is what it is: two sentences and the figures behind them, from what the floor said."""

from __future__ import annotations

from datetime import UTC
from typing import Any

import msgspec
import pytest

from service.domain.policy import Limits, Policy
from service.domain.said import Said, put
from service.language import speak
from service.usecases.show import Shown
from service.web.schemas import SlotDetail
from tests.support.story import Story


def why(story: Story, slot: str = "F1") -> Any:
    return explained(story, slot)["why"]


def explained(story: Story, slot: str = "F1") -> Any:
    story.world.touch_all()
    committed = {key: data for key, data in story.world.take_changes().items() if data is not None}
    shown = Shown(committed=committed, archive=None, site="Tarn", reasons=list)  # type: ignore[arg-type]
    found = shown.explained("L3", "P1", slot)
    return None if found is None else msgspec.json.decode(msgspec.json.encode(found))


def running(**supply: Any) -> Story:
    """A slot that takes 4 parts a panel; ten panels have run."""
    story = Story(Policy(warn=Limits(chance=0.1)))
    story.say("L3/P1/recipe", {"recipe": "R", "usage": {"F1": 4}, "parts": {"F1": "RES-1K"}})
    story.say(
        "L3/P1/supply",
        {"slot": "F1", "change": "loaded", "kind": "tape", "quantity": 3000, "at": story.time()} | supply,
    )
    for panel in range(11):
        story.later(20)
        slots = {"F1": {"placed": 4 * panel, "lost": panel // 5}}
        count = {"session": "a", "seq": panel, "panels": panel, "slots": slots, "at": story.time()}
        story.say("L3/P1/count", count)
    return story


def test_a_label_is_explained_by_what_was_declared_counted_and_usually_short() -> None:
    first, second = why(running())["sentences"]
    assert first.startswith("Loaded with 3,000 parts as declared, 42 were counted since: about 2,9")
    assert "such supplies hold about 5 less than is said" in first
    assert second.startswith("At 4 parts a panel and ")
    assert "the chance that it is empty within 10 panels is 0 %, and a warning is given from 10 %." in second


def test_the_figures_are_those_of_the_forecast() -> None:
    shown = explained(running())
    figures = shown["why"]["figures"]
    assert (figures["declared"], figures["counted_since"], figures["quantity_from"]) == (3000, 42, "label")
    assert figures["declared"] - figures["counted_since"] == shown["remaining"]["book"]
    assert figures["shortage"]["low"] < figures["shortage"]["mean"] == -5.0 < figures["shortage"]["high"]
    assert figures["loss_rate"] == shown["loss_rate"] > figures["usual_loss_rate"]
    assert (figures["usage_per_panel"], figures["usage_source"]) == (4.0, "recipe")
    assert (figures["chance"], figures["chance_limit"]) == (shown["chance"], 0.1)
    assert figures["takt_seconds"] == pytest.approx(20.0, abs=0.001)
    assert (figures["session"], figures["seq"]) == ("a", 10)
    assert figures["evidence"] == ["declared", "placements", "losses", "takt"]
    assert figures["last_count"] == shown["as_of"]


def test_the_answer_has_the_documented_shape() -> None:
    SlotDetail.model_validate(explained(running()))


def test_a_persons_count_is_taken_at_its_word() -> None:
    story = running()
    story.say("L3/P1/supply", {"slot": "F1", "change": "counted", "quantity": 60, "at": story.time()})
    reasons = why(story)
    assert reasons["figures"]["shortage"] is None
    assert reasons["figures"]["quantity_from"] == "person"
    assert reasons["sentences"][0] == "A person counted 60 parts, 0 were counted since: about 60 are left."


def test_a_tray_holds_what_is_declared() -> None:
    figures = why(running(kind="tray"))["figures"]
    assert figures["shortage"] is None
    assert figures["usual_loss_rate"] == pytest.approx(0.002, rel=0.01)


def test_losses_nobody_reported_are_named() -> None:
    story = running()
    story.later(20)
    count = {"session": "a", "seq": 11, "panels": 11, "slots": {"F1": {"placed": 44}}, "at": story.time()}
    story.say("L3/P1/count", count)
    reasons = why(story)
    assert reasons["figures"]["unreported"] == 4
    assert "losses of 4 placements were not reported" in reasons["sentences"][0]


def test_an_order_that_ends_earlier_is_named() -> None:
    story = Story()
    story.say("L3/P1/recipe", {"recipe": "R", "usage": {"F1": 4}})
    supply = {"slot": "F1", "change": "loaded", "kind": "tape", "quantity": 300, "at": story.time()}
    story.say("L3/P1/supply", supply)
    order = {"order": "77", "recipe": "R", "panels": 20, "state": "running", "at": story.time()}
    story.say("L3/order", order)
    for panel in range(2):
        story.later(20)
        slots = {"F1": {"placed": 4 * panel, "lost": 0}}
        count = {"session": "a", "seq": panel, "panels": panel, "slots": slots, "at": story.time()}
        story.say("L3/P1/count", count)
    shown = explained(story)
    assert shown["why"]["figures"]["order_panels_left"] == shown["order_panels_left"] is not None
    assert "within 10 panels and before the order ends is" in shown["why"]["sentences"][1]


def test_slots_that_feed_the_same_placements_are_named_together() -> None:
    story = running()
    recipe = {"recipe": "R", "usage": {"F1": 4, "F2": 4}, "alternates": [["F1", "F2"]]}
    story.say("L3/P1/recipe", recipe)
    loaded = {"slot": "F2", "change": "loaded", "kind": "tape", "quantity": 90, "at": story.time()}
    story.say("L3/P1/supply", loaded)
    reasons = why(story)
    assert reasons["figures"]["shared_with"] == ["F2"]
    assert reasons["sentences"][1].startswith("Together with F2, at 4 parts a panel")


def test_an_unknown_quantity_is_null_and_says_what_to_do() -> None:
    story = running()
    story.say("L3/P1/supply", {"slot": "F1", "change": "removed", "at": story.time()})
    reasons = why(story)
    unknown = ("declared", "quantity_from", "counted_since", "shortage", "unreported", "missing", "chance")
    assert [reasons["figures"][key] for key in unknown] == [None] * 7
    assert reasons["sentences"] == [
        "The supply was removed, and nobody has said what is loaded now.",
        "Say what was loaded, or count what is left, and the forecast begins.",
    ]


def test_an_unknown_usage_is_null_and_said() -> None:
    story = Story()
    story.say("L3/P1/supply", {"slot": "F1", "change": "loaded", "kind": "tape", "quantity": 300})
    reasons = why(story)
    figures = reasons["figures"]
    assert (figures["usage_per_panel"], figures["usage_source"], figures["takt_seconds"]) == (
        None,
        "none",
        None,
    )
    assert (figures["last_count"], figures["session"], figures["seq"]) == (None, None, None)
    assert "not known yet" in reasons["sentences"][1]


def test_a_slot_that_the_recipe_does_not_use_says_so() -> None:
    story = running()
    story.say("L3/P1/recipe", {"recipe": "S", "usage": {"F9": 1}})
    assert why(story)["sentences"][1] == "The recipe that runs doesn't use this slot, so it gives no warning."


def test_a_slot_that_a_signal_calls_empty_says_so() -> None:
    story = running(quantity=60)
    tower = {"lamps": {"yellow": "flashing"}, "buzzer": "on", "slots": ["F1"], "at": story.time()}
    story.say("L3/P1/tower", tower)
    assert why(story)["sentences"][1].startswith("A signal says that it is empty")


def test_a_slot_nobody_heard_of_is_not_explained() -> None:
    story = running()
    assert explained(story, "F7") is None


def test_the_reasons_can_be_said_in_another_language() -> None:
    german = [put(msgspec.convert(each, Said), UTC, speak("de")) for each in why(running())["said"]]
    assert german[0].startswith("Laut Angabe mit 3.000 Teilen gerüstet, seither 42 gezählt: noch etwa 2.9")
    assert german[1].startswith("Bei 4 Teilen je Nutzen und 10 verlorenen von 1.000 sind das noch 7")
