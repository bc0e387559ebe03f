"""A source that speaks OPC UA PubSub, as configured."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.settings import SettingsError, load
from service.settings.gateway_opcua import OpcUaSource

RULE = '[[source.value]]\nname = "Feeder_{slot}/Placed"\nmeans = "placed"\n'


def read(tmp_path: Path, text: str, rule: str = RULE) -> OpcUaSource:
    path = tmp_path / "plant.toml"
    path.write_text(f'[[source]]\nname = "cells"\nformat = "opcua"\n{text}\n{rule}', encoding="utf-8")
    (source,) = load(path, {}).sources
    assert isinstance(source, OpcUaSource)
    return source


def test_all_topics_of_the_standard_prefix_are_heard_unless_others_are_given(tmp_path):
    """OPC 10000-14, 7.3.5.7: the default prefix is opcua."""
    assert read(tmp_path, "").translator("UTC").filters == ("opcua/json/#",)
    given = read(tmp_path, 'topics = ["hall/{line}/{station}", "hall/{line}/status"]')
    assert given.translator("UTC").filters == ("hall/+/+", "hall/+/status")


@pytest.mark.parametrize(
    ("text", "rule", "problem"),
    [
        ("keep_alive = 0", RULE, "seconds up to 3600"),
        ("topics = []", RULE, "topics"),
        ("", "", "value"),
        ('writer = ""', RULE, "a pattern of a name"),
        ('publisher = "{Line}"', RULE, "a capture is {name}, of small letters"),
        ('topics = ["opcua/#/json"]', RULE, "# for all levels at the end"),
        ('fixed = { line = "L 4" }', RULE, "line 'L 4' must be"),
    ],
)
def test_what_can_not_be_meant_is_refused(tmp_path, text, rule, problem):
    with pytest.raises(SettingsError) as refused:
        read(tmp_path, text, rule)
    assert problem in "\n".join(refused.value.lines)
