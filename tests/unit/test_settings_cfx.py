"""A source that carries IPC-2591 (CFX), as configured."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.settings import SettingsError, load
from service.settings.gateway_cfx import CfxSource


def read(tmp_path: Path, text: str) -> CfxSource:
    path = tmp_path / "plant.toml"
    path.write_text(f'[[source]]\nname = "machines"\nformat = "cfx"\n{text}\n', encoding="utf-8")
    (source,) = load(path, {}).sources
    assert isinstance(source, CfxSource)
    return source


def test_everything_has_a_default(tmp_path):
    source = read(tmp_path, "")
    assert (source.slots, source.consumption, source.panels_from) == ("identifier", None, "work")
    assert source.translator("UTC").filters == ("cfx/#",)


def test_topics_are_patterns_and_handles_have_rules(tmp_path):
    text = 'topics = ["cfx/{line}/#"]\n[[source.station]]\nhandle = "acme.{station}"'
    assert read(tmp_path, text).translator("UTC").filters == ("cfx/+/#",)


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("topics = []", "topics"),
        ('topics = ["cfx/{Line}"]', "a capture is {name}, of small letters"),
        ('slots = "number"', '"identifier" or "name"'),
        ('consumption = "both"', '"consumed" or "installed"'),
        ('panels_from = "arrived"', '"work" or "departed"'),
        ('[[source.station]]\nhandle = "acme.{line}"', "'acme.{line}' doesn't say station"),
        ('[[source.station]]\nfixed = { line = "L1" }', "'#' doesn't say station"),
    ],
)
def test_what_cant_be_meant_is_refused(tmp_path, text, problem):
    with pytest.raises(SettingsError) as refused:
        read(tmp_path, text)
    assert problem in "\n".join(refused.value.lines)
