"""What Prometheus' own tool says of our metrics, alerts and the queries of the dashboard."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from service.telemetry import Metrics
from service.telemetry.actions import ACTIONS
from tests.observing import dashboard

FOLDER = Path(__file__).parents[2] / "deploy" / "observing"
RULES: list[dict[str, Any]] = yaml.safe_load((FOLDER / "alerts.yml").read_text(encoding="utf-8"))["groups"][
    0
]["rules"]
QUERIES = [*dashboard.queries(), *(rule["expr"] for rule in RULES)]
OF_TARGETS = {"job", "instance", "shard"}
PROCESS = {"process_resident_memory_bytes", "process_cpu_seconds_total"}


def promtool(*words: str, said: str | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["promtool", *words], input=said, cwd=FOLDER, capture_output=True, text=True, check=False, timeout=60
    )


def must(*words: str, said: str | None = None) -> None:
    done = promtool(*words, said=said)
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_metrics_are_as_prometheus_wants_them():
    must("check", "metrics", said=Metrics().render().decode())


def test_the_alerts_fire_when_they_should_and_not_before():
    must("test", "rules", "alerts.test.yml")


def test_every_alert_is_tried_both_ways():
    tried = yaml.safe_load((FOLDER / "alerts.test.yml").read_text(encoding="utf-8"))["tests"]
    ways = {
        (each["alertname"], bool(each["exp_alerts"])) for test in tried for each in test["alert_rule_test"]
    }
    assert ways == {(rule["alert"], fires) for rule in RULES for fires in (True, False)}


def test_the_example_of_how_to_ask_is_sound(tmp_path: Path):
    for file in FOLDER.glob("*.yml"):
        shutil.copy(file, tmp_path)
    (tmp_path / "earlybell.token").write_text("eb_not-one")
    must("check", "config", str(tmp_path / "prometheus.yml"))
    scraped = yaml.safe_load((FOLDER / "prometheus.yml").read_text(encoding="utf-8"))["scrape_configs"]
    jobs = set(re.findall(r'job="([^"]+)"', " ".join(rule["expr"] for rule in RULES)))
    assert {each["job_name"] for each in scraped} == jobs == {"earlybell"}


def test_every_query_is_one(tmp_path: Path):
    """As a rule of its own each is parsed by Prometheus' parser."""
    rules = [{"record": f"query{number}", "expr": expr} for number, expr in enumerate(QUERIES)]
    file = tmp_path / "queries.json"
    file.write_text(json.dumps({"groups": [{"name": "queries", "rules": rules}]}))
    must("check", "rules", str(file))
    rules[-1]["expr"] = "sum by (shard (up)"
    file.write_text(json.dumps({"groups": [{"name": "queries", "rules": rules}]}))
    assert promtool("check", "rules", str(file)).returncode != 0


def _labels() -> dict[str, set[str]]:
    """Each series there is, and its labels."""
    labels = {"up": set[str](), **{name: set[str]() for name in PROCESS}}
    for each in Metrics.declared():
        own = {label.name for label in each.labels}
        if each.buckets:
            labels[each.name + "_bucket"] = own | {"le"}
        else:
            labels[each.name] = own
    return labels


@pytest.mark.parametrize("query", QUERIES)
def test_a_query_asks_for_what_there_is(query: str):
    known = _labels()
    plain = re.sub(r'"[^"]*"', '""', query)
    asked = set(re.findall(r"\b(?:earlybell|process)_\w+|\bup\b", plain))
    assert asked
    assert asked <= known.keys()
    labels = OF_TARGETS.union(*(known[name] for name in asked))
    used = set(_used(plain))
    assert used <= labels, used - labels


def _used(query: str) -> Iterator[str]:
    for inside in re.findall(r"\{([^}]*)\}", query):
        yield from re.findall(r"(\w+)\s*(?:=~|!~|!=|=)", inside)
    for listed in re.findall(r"\bby \(([^)]*)\)", query):
        yield from re.findall(r"\w+", listed)


def test_every_alert_has_a_runbook_and_words_for_who_is_woken():
    headings = re.findall(r"(?m)^## (\S+)$", (FOLDER.parent / "runbooks.md").read_text(encoding="utf-8"))
    for rule in RULES:
        page, _, anchor = rule["annotations"]["runbook_url"].partition("#")
        assert page == "deploy/runbooks.md"
        assert anchor in headings, rule["alert"]
        assert rule["annotations"]["summary"].endswith((".", "?")), rule["alert"]
        assert rule["labels"]["severity"] in {"critical", "warning"}, rule["alert"]


def test_what_a_metric_says_to_do_when_it_is_odd_leads_somewhere():
    headings = re.findall(r"(?m)^## (\S+)$", (FOLDER.parent / "runbooks.md").read_text(encoding="utf-8"))
    page = (FOLDER.parent / "observing.md").read_text(encoding="utf-8")
    anchors = set(re.findall(r"runbooks\.md#([\w-]+)", page))
    assert len(anchors) > 8
    assert anchors <= set(headings)


NO_METRICS = {
    "earlybell_backlog",
    "earlybell_backup_timestamp_seconds",
    "earlybell_broker",
    "earlybell_postgres",
}
"""Volumes of containers, and what a backup's own job may tell."""


PAGES = [FOLDER.parents[1] / "README.md", *FOLDER.parent.rglob("*.md")]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.parent.name + "/" + page.name)
def test_a_page_names_only_metrics_and_log_words_that_there_are(page: Path):
    text = page.read_text(encoding="utf-8")
    known = {each.name for each in Metrics.declared()} | NO_METRICS
    assert set(re.findall(r"\bearlybell_\w+", text)) <= known
    assert set(re.findall(r"\b[Ll]og `(\w+)`", text)) <= ACTIONS.keys()
