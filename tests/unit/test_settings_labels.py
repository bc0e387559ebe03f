"""What the configuration may say of labels."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.domain.labels import read_label
from service.settings import Settings, SettingsError, load


def settings_of(tmp_path: Path, text: str) -> Settings:
    path = tmp_path / "plant.toml"
    path.write_text(text, encoding="utf-8")
    return load(path, {})


def test_patterns_and_aliases_lead_from_a_label_to_the_plants_part(tmp_path: Path) -> None:
    settings = settings_of(
        tmp_path,
        """
        [[label]]
        name = "stores"
        pattern = '(?P<part>[^;]+);(?P<quantity>[0-9]+);(?P<lot>[^;]*)'
        strip = ["PN-"]
        [[label.alias]]
        part = "R-10K-0402"
        names = ["RC0402-10K"]
        """,
    )
    label = read_label("PN-RC0402-10K;5000;A77", settings.label_patterns())
    assert (label.part, label.quantity, label.lot) == ("R-10K-0402", 5000, "A77")
    assert label.format == "pattern stores"
    assert read_label("1PRC0402-10K", settings.label_patterns()).part == "R-10K-0402"


@pytest.mark.parametrize(
    ("rule", "problem"),
    [
        ("pattern = '(?P<part>['", "can't be used: missing ]: ["),
        (r"pattern = '(?P<part>a)\1'", "can't be used: invalid escape sequence"),
        ("pattern = '(?=x)(?P<part>a)'", "can't be used: invalid perl operator: (?="),
        ("pattern = '[A-Z]+'", "names none of the groups part, quantity, lot, supply, moisture_level"),
        ("pattern = '(?P<part>.*)'", "matches a text with nothing in it"),
        ("pattern = '(?P<part>.+)'", "matches every label in an envelope too"),
        ("pattern = '(?P<part>a{1000}){1000}'", "can't be used"),
        (f"pattern = '(?P<part>{'a' * 500})'", "has more than 500 characters"),
        ("", "changes nothing"),
        ("shape = 'x'", "there is no key shape"),
    ],
)
def test_what_cannot_be_meant_is_refused_at_the_start(tmp_path: Path, rule: str, problem: str) -> None:
    with pytest.raises(SettingsError) as refused:
        settings_of(tmp_path, f'[[label]]\nname = "stores"\n{rule}\n')
    (line,) = refused.value.lines
    assert "label[0]" in line
    assert problem in line


def test_a_number_cannot_mean_two_parts(tmp_path: Path) -> None:
    alias = '[[label.alias]]\npart = "{}"\nnames = ["RC0402-10K"]\n'
    text = '[[label]]\nname = "a"\n' + alias.format("R-10K") + alias.format("R-11K")
    with pytest.raises(SettingsError, match="'RC0402-10K' can't mean 'R-10K' and 'R-11K'"):
        settings_of(tmp_path, text)
