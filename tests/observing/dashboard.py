"""The dashboard as the JSON that Grafana imports; ``$job`` and ``$shard`` choose what is shown."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tests.observing.panels import ROWS, Panel

FILE = Path(__file__).parents[2] / "deploy" / "observing" / "dashboard.json"
SCHEMA = 39
"""Grafana's own number of the form, of 11.0; later ones bring it up to theirs."""
CHOSEN = 'job=~"$job", shard=~"$shard"'
_SOURCE = {"type": "prometheus", "uid": "${datasource}"}
_HEIGHT = 7
_WIDTH = 24


def dashboard() -> dict[str, Any]:
    """What is written to ``FILE``."""
    return {
        "uid": "earlybell",
        "title": "Earlybell",
        "description": "Is it well, does it keep up, do people hear it? Metrics: deploy/observing.md",
        "tags": ["earlybell"],
        "schemaVersion": SCHEMA,
        "version": 1,
        "editable": True,
        "refresh": "30s",
        "time": {"from": "now-6h", "to": "now"},
        "timezone": "browser",
        "graphTooltip": 1,
        "annotations": {"list": []},
        "links": [],
        "templating": {"list": [_datasource(), *(_choice(name) for name in ("job", "shard"))]},
        "panels": list(_panels()),
    }


def queries() -> Iterator[str]:
    """Every expression, as Grafana sends it: with the variables put in, each for all there is."""
    for panel in dashboard()["panels"]:
        for target in panel.get("targets", ()):
            expr = target["expr"].replace("$__rate_interval", "1m")
            yield expr.replace("$job", ".+").replace("$shard", ".*")


def written(made: dict[str, Any]) -> str:
    return json.dumps(made, indent=2, ensure_ascii=False) + "\n"


def _datasource() -> dict[str, Any]:
    return {"name": "datasource", "label": "Data source", "type": "datasource", "query": "prometheus"}


def _choice(name: str) -> dict[str, Any]:
    found = "label_values(earlybell_build_info, {})".format(name)  # noqa: UP032 (braces of another language)
    return {
        "name": name,
        "label": name.capitalize(),
        "type": "query",
        "datasource": _SOURCE,
        "query": {"query": found, "refId": name},
        "refresh": 2,
        "includeAll": True,
        "allValue": ".*",
        "multi": True,
        "current": {"text": ["All"], "value": ["$__all"]},
        "sort": 1,
    }


def _panels() -> Iterator[dict[str, Any]]:
    number, y = 1, 0
    for title, panels in ROWS:
        at = {"h": 1, "w": _WIDTH, "x": 0, "y": y}
        yield {"id": number, "type": "row", "title": title, "collapsed": False, "gridPos": at, "panels": []}
        number, y, x = number + 1, y + 1, 0
        for panel in panels:
            if x + panel.width > _WIDTH:
                x, y = 0, y + _HEIGHT
            yield _panel(panel, number, {"h": _HEIGHT, "w": panel.width, "x": x, "y": y})
            number, x = number + 1, x + panel.width
        y += _HEIGHT


def _panel(panel: Panel, number: int, at: dict[str, int]) -> dict[str, Any]:
    targets = [
        {
            "refId": "ABCDEF"[place],
            "datasource": _SOURCE,
            "expr": query.expr.replace("{}", f"{{{CHOSEN}}}"),
            "legendFormat": query.legend,
            "range": panel.kind == "timeseries",
            "instant": panel.kind != "timeseries",
        }
        for place, query in enumerate(panel.queries)
    ]
    defaults: dict[str, Any] = {"unit": panel.unit, "min": 0} if panel.unit != "short" else {"unit": "short"}
    if panel.steps:
        steps = [{"color": colour, "value": value} for colour, value in panel.steps]
        defaults |= {"thresholds": {"mode": "absolute", "steps": steps}}
    made: dict[str, Any] = {
        "id": number,
        "type": panel.kind,
        "title": panel.title,
        "datasource": _SOURCE,
        "gridPos": at,
        "targets": targets,
        "fieldConfig": {"defaults": defaults, "overrides": []},
        "options": _OPTIONS[panel.kind] | ({"textMode": panel.text} if panel.kind == "stat" else {}),
    }
    return made | ({"description": panel.about} if panel.about else {})


_OPTIONS: dict[str, dict[str, Any]] = {
    "timeseries": {
        "legend": {"displayMode": "list", "placement": "bottom", "showLegend": True, "calcs": []},
        "tooltip": {"mode": "multi", "sort": "desc"},
    },
    "stat": {
        "colorMode": "background",
        "graphMode": "none",
        "justifyMode": "auto",
        "orientation": "auto",
        "reduceOptions": {"calcs": ["lastNotNull"], "fields": "", "values": False},
        "wideLayout": True,
        "showPercentChange": False,
    },
}
