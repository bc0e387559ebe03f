"""What the settings, the one that listens and the notices tell together of each source."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
import pytest
from prometheus_client.parser import text_string_to_metric_families

from service.domain.events import GatewayReport, Refusals
from service.domain.model import SECOND
from service.incoming import Counted, Heard, Listening
from service.report import Report
from service.settings import load
from service.sources import Sources
from service.telemetry import Metrics
from service.usecases import batch
from service.wire.native import Address
from tests.support.gateways import Gateways
from tests.support.notices import AT
from tests.support.story import START, Story

CONFIG = """
[mqtt]
url = "mqtt://broker.tarn.example"
floor_root = "hall/floor"
[[source]]
name = "north"
format = "native"
root = "north"
url = "mqtts://north.tarn.example"
silent_after = 300
[[source]]
name = "tried"
format = "native"
root = "tried"
trial = true
"""
WELL = Listening(
    connected=True, trouble=None, silent_since=None, heard=Heard(since=START), counted=Counted(), gaps=None
)
Json = dict[str, Any]


def sources(folder: Path, *, listening: Json | None = None, story: Story | None = None) -> Sources:
    file = folder / "earlybell.toml"
    file.write_text(CONFIG)
    changes = {} if story is None else story.world.take_changes()
    return Sources(
        load(file, {}),
        committed={key: data for key, data in changes.items() if data is not None},
        listening=lambda: listening or {},
        trials=lambda: [{"source": "tried", "trouble": None}] if listening else [],
    )


def test_each_has_its_broker_its_topics_and_how_it_is_heard(tmp_path: Path):
    rows = sources(tmp_path, listening={"": WELL, "north": WELL}).rows()
    assert [(row.name, row.leads_to, *row.topics) for row in rows] == [
        ("mqtt", "broker.tarn.example", "hall/floor/#"),
        ("north", "north.tarn.example", "north/#"),
        ("tried", "broker.tarn.example", "tried/#"),
    ]
    assert [row.state for row in rows] == ["connected", "connected", "trial"]
    assert rows[2].trial is not None
    assert rows[1].silent_after == 300


@pytest.mark.parametrize(
    ("now", "state"),
    [
        (WELL, "connected"),
        (replace(WELL, connected=False, trouble="refused"), "away"),
        (replace(WELL, connected=False, silent_since=START), "away"),
        (replace(WELL, silent_since=START), "quiet"),
    ],
)
def test_one_that_is_not_heard_says_how(tmp_path: Path, now: Listening, state: str):
    assert sources(tmp_path, listening={"": WELL, "north": now}).rows()[1].state == state


def test_where_another_instance_is_in_charge_it_listens(tmp_path: Path):
    assert [row.state for row in sources(tmp_path).rows()] == ["elsewhere", "elsewhere", "trial"]
    assert all(row.now is None and row.trial is None for row in sources(tmp_path).rows())


def test_the_notice_about_it_is_that_of_its_silence_else_that_of_its_refusals(tmp_path: Path):
    story = Story()
    refused = Refusals(refused=6, heard=6, reason="no JSON", source="north")
    (first,) = story.happen(Address("refusals", "", None), refused) or []
    (unknown,) = (
        story.happen(Address("refusals", "", None), msgspec.structs.replace(refused, source="")) or []
    )
    rows = sources(tmp_path, story=story).rows()
    assert [row.notice for row in rows] == [unknown.notice.id, first.notice.id, None]
    story.world.touch_all()
    report = GatewayReport(source="north", state="silent", since=START, reason="away")
    (silent,) = story.happen(Address("gateway", "", None), report) or []
    story.world.touch_all()
    assert sources(tmp_path, story=story).rows()[1].notice == silent.notice.id


def test_the_metrics_are_by_the_names_of_the_configuration_and_unknown_is_absent():
    metrics = Metrics()
    report = Report(metrics)
    heard = {"": batch.Heard(3, 1, 0), "north-hall": batch.Heard(2, 0, 1, "no JSON")}
    report.committed([batch.Committed(frozenset(), [], {}, heard)], seconds=0.1, items=5)
    report.sources(Gateways().rows())
    said = {
        sample.name.removeprefix("earlybell_source_"): sample.value
        for family in text_string_to_metric_families(metrics.render().decode())
        for sample in family.samples
        if sample.labels.get("source") == "north-hall"
    }
    assert said == {
        "messages_total": 2,
        "repeats_total": 0,
        "refused_total": 1,
        "connected": 0,
        "last_heard_timestamp_seconds": (AT - 905 * SECOND) / SECOND,
        "missing": 4,
        "gaps": 2,
        "clocks_doubted": 0,
    }
    assert 'earlybell_source_gaps{source="mqtt"}' not in metrics.render().decode()
