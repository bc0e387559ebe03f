"""How the track record is shown: figures that add up, from what the floor said."""

from __future__ import annotations

import json
from typing import Any

import msgspec
from prometheus_client.parser import text_string_to_metric_families

from service.domain import record
from service.domain.history import Outcome
from service.report import Report
from service.telemetry import Metrics
from service.usecases.show import Shown
from service.web.recorded import LearnedView, RecordView
from tests.support.story import START, Story


def shown_of(story: Story) -> Shown:
    story.world.touch_all()
    committed = {key: data for key, data in story.world.take_changes().items() if data is not None}
    return Shown(committed=committed, archive=None, site="Tarn", reasons=list)  # type: ignore[arg-type]


def recorded(story: Story) -> Any:
    found = json.loads(msgspec.json.encode(shown_of(story).record()))
    RecordView.model_validate(found)
    return found


def lived() -> Story:
    """A tray that gave ten panels, one that gave nine, one refilled before, one that nobody was warned of."""
    story = Story()
    story.recipe({"F1": 1})
    story.first("F1")
    for panels in (10, 9, None, -40):
        story.load("F1", 100, kind="tray")
        if panels == -40:
            story.run(40, {"F1": 1})
        else:
            while story.slot("F1").warned is None:
                story.run(1, {"F1": 1})
            story.run(11 if panels is None else panels, {"F1": 1})
        if panels is not None:
            story.out("F1")
            story.green()
    return story


def test_a_record_says_how_many_warnings_had_the_panels_asked() -> None:
    found = recorded(lived())
    (kind,) = found["kinds"]
    assert kind["kind"] == "tray"
    assert (kind["warnings"], kind["late"], kind["had_them"], kind["missed"]) == (4, 2.0, 2.0, 1)
    assert (kind["refilled_before"], kind["apart"], kind["notice"]) == (1, 0, None)
    assert kind["asked"] == {"least": 10, "usual": 10, "most": 10}
    assert kind["interval"]["ended"] == sum(kind["deciles"]) == 2
    assert found["all"]["warnings"] == 4
    assert [each["given"] for each in found["last"]] == [0, None, 9, 10]
    assert [(each["given"], each["missed"]) for each in found["last_late"]] == [(0, True), (9, False)]


def test_before_the_first_warning_nothing_is_said_of_them() -> None:
    found = recorded(Story())
    assert found["kinds"] == found["last"] == []
    assert (found["all"]["asked"], found["all"]["warnings"], found["all"]["had_them"]) == (None, 0, 0.0)


def test_a_promise_that_is_not_kept_is_named_beside_its_kind() -> None:
    story = Story()
    for at in range(60):
        late = Outcome(START + at, "L3", "P1", "F1", 10, 4, 1.0, 0.1, 0, covered=False)
        story.told += record.note(story.world, "tape", late)
    (kind,) = recorded(story)["kinds"]
    assert kind["notice"] == story.told[-1].notice.id
    assert kind["ever"] == {"warnings": 60, "late": 60.0, "apart": 0, "interval": {"covered": 0, "ended": 60}}


def test_what_was_learned_comes_by_kind_and_then_by_part() -> None:
    story = lived()
    story.load("F1", 100, kind="tray", part="MCU-48Q")
    story.run(95, {"F1": 1})
    story.out("F1")
    story.load("F1", 100, kind="tray", part="MCU-48Q")
    learned = shown_of(story).learned(limit=10)
    for each in learned:
        LearnedView.model_validate(json.loads(msgspec.json.encode(each)))
    assert [(each["kind"], each["part"]) for each in learned] == [("tray", None), ("tray", "MCU-48Q")]
    assert shown_of(story).learned(limit=1) == learned[:1]


def test_the_metrics_tell_the_sums_of_each_kind() -> None:
    metrics = Metrics()
    Report(metrics).record(shown_of(lived()).records())
    families = {each.name: each for each in text_string_to_metric_families(metrics.render().decode())}
    values = {
        name: [(sample.labels, sample.value) for sample in families[f"earlybell_{name}"].samples]
        for name in ("warnings_judged", "warnings_late", "warnings_apart", "ends_seen")
    }
    of = {"kind": "tray"}
    assert values == {
        "warnings_judged": [(of, 4.0)],
        "warnings_late": [(of, 2.0)],
        "warnings_apart": [(of, 0.0)],
        "ends_seen": [(of, 2.0)],
    }
