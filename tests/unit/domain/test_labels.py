"""What labels say, and what is said of those that can't be read."""

from __future__ import annotations

import tomllib
from datetime import UTC
from pathlib import Path
from typing import Any

import pytest

from service.domain.labels import Label, LabelPattern, Unreadable, read_label
from service.domain.labels_fields import IDENTIFIERS
from service.domain.labels_text import LONGEST
from service.domain.said import put

SIGNS = {"GS": "\x1d", "RS": "\x1e", "EOT": "\x04", "FS": "\x1c", "US": "\x1f"}
CORPUS = tomllib.loads((Path(__file__).parent / "labels.toml").read_text(encoding="utf-8"))["label"]


def sent(text: str) -> str:
    for name, sign in SIGNS.items():
        text = text.replace(f"{{{name}}}", sign)
    return text


def said(label: Label) -> dict[str, Any]:
    return {
        "part": label.part,
        "quantity": label.quantity,
        "lot": label.lot,
        "supply": label.supply,
        "moisture_level": label.moisture_level,
        "rest": [list(each) for each in label.rest],
        "format": label.format,
        "tolerated": [put(each, UTC) for each in label.tolerated],
        "names": list(label.names),
    }


NOTHING: dict[str, object] = {
    "part": None,
    "quantity": None,
    "lot": None,
    "supply": None,
    "moisture_level": None,
    "rest": [],
    "tolerated": [],
}


@pytest.mark.parametrize("case", CORPUS, ids=lambda case: case["what"])
def test_each_label_of_the_corpus_is_read_or_refused_with_its_reason(case: dict[str, Any]) -> None:
    text, expected = sent(case["text"]), case.get("expected", [])
    if "unreadable" in case:
        with pytest.raises(Unreadable) as refused:
            read_label(text, expected=expected)
        assert str(refused.value).startswith(case["unreadable"])
        return
    wanted = {key: case[key] for key in case if key not in {"what", "text", "expected"}}
    names = [wanted["part"]] if "part" in wanted else []
    assert said(read_label(text, expected=expected)) == {**NOTHING, "names": names, **wanted}


def test_the_corpus_has_no_case_twice() -> None:
    assert len({case["what"] for case in CORPUS}) == len({case["text"] for case in CORPUS}) == len(CORPUS)


def test_ten_thousand_characters_are_read_and_one_more_is_refused() -> None:
    fields = "\x1d".join(f"{number}Z{number}" for number in range(100, 1000))
    text = f"[)>\x1e06\x1d1PMCU-48Q\x1d{fields}"
    text += "\x1d3Z" + "x" * (LONGEST - len(text) - 5) + "\x1e\x04"
    label = read_label(text)
    assert (len(text), label.part, len(label.rest)) == (LONGEST, "MCU-48Q", 901)
    assert len(label.tolerated) == 20
    with pytest.raises(Unreadable, match="the text has 10,001 characters; a label has at most 10,000"):
        read_label(text + " ")


# What the plant says of its labels

STORES = LabelPattern(
    name="stores",
    pattern=r"(?P<part>[^;]+);(?P<quantity>[^;]*);(?P<lot>[^;]*)(;(?P<msl>.*))?",
    strip=("PN-", "P"),
    upper=True,
)
OURS = LabelPattern(
    name="ours", strip=("VN",), alias={"RC0402-10K": "R-10K-0402", "09501101530003": "MCU-48Q"}
)


def test_a_pattern_comes_before_everything_else() -> None:
    label = read_label("pn-rc0402;5000;a77;3", (OURS, STORES))
    assert label.part == "PN-RC0402"  # as its `strip` is written
    label = read_label("PN-rc0402;5000;a77;3", (OURS, STORES))
    assert (label.part, label.quantity, label.lot) == ("RC0402", 5000, "a77")
    assert (label.rest, label.format) == ((("msl", "3"),), "pattern stores")


def test_a_pattern_must_match_the_whole_text() -> None:
    with pytest.raises(Unreadable):
        read_label("R-10K;5000", (STORES,))


def test_what_a_pattern_leaves_empty_is_not_known() -> None:
    label = read_label("R-10K;;", (STORES,))
    assert (label.part, label.quantity, label.lot, label.rest) == ("R-10K", None, None, ())


def test_a_pattern_may_read_what_the_standards_do_not_know() -> None:
    lines = LabelPattern(name="lines", pattern=r"PART (?P<part>\S+)\r\nQTY (?P<quantity>\d+)")
    assert read_label("PART MCU-48Q\r\nQTY 160\r\n", (lines,)).quantity == 160


def test_numbers_on_labels_lead_to_the_plants_parts() -> None:
    assert read_label("1PRC0402-10K", (OURS,)).part == "R-10K-0402"
    assert read_label("VNRC0402-10K", (OURS,)).part == "R-10K-0402"
    assert read_label("]d20109501101530003", (OURS,)).part == "MCU-48Q"
    label = read_label("[)>\x1e06\x1dP4711\x1d1PRC0402-10K\x1e\x04", (OURS,))
    assert (label.part, label.names) == ("R-10K-0402", ("R-10K-0402", "4711", "RC0402-10K"))


def test_a_prefix_alone_is_a_part_number() -> None:
    assert read_label("VN", (OURS,)).part == "VN"


def test_no_pattern_holds_the_service_up() -> None:
    """With a backtracking matcher this would take longer than the plant stands."""
    slow = LabelPattern(name="slow", pattern=r"(?P<part>(a*)*b|(a|a)*c)")
    assert read_label("a" * 80, (slow,)).format == "plain"
    with pytest.raises(Unreadable, match="too many for a part number"):
        read_label("a" * LONGEST, (slow,))


def test_every_form_that_stands_alone_fits_its_identifier() -> None:
    """So that a field reads alike in an envelope and by itself."""
    alone = {key for key, identifier in IDENTIFIERS.items() if identifier.alone}
    assert alone == {"1P", "Q", "1T", "3S", "1J", "3J", "9D", "10D", "14D", "16D", "13E", "4L", "1V"}
