"""What labels say, and what is said of those that can't be read."""

from __future__ import annotations

import pytest

from service.domain.labels import Label, Unreadable, read_label

GS, RS, EOT = "\x1d", "\x1e", "\x04"


def message(*fields: str) -> str:
    return f"[)>{RS}06{GS}{GS.join(fields)}{RS}{EOT}"


def test_a_message_with_data_identifiers_says_what_the_supply_is() -> None:
    label = read_label(
        message("PR-10K-0402", "1PRC0402-10K", "Q5000", "1TA77", "9D2548", "13E2a", "SR000017")
    )
    assert label == Label(
        "R-10K-0402",
        5000,
        "A77",
        "R000017",
        "2a",
        (("1P", "RC0402-10K"), ("9D", "2548")),
        "15434/06",
        names=("R-10K-0402", "RC0402-10K"),
    )


def test_a_single_field_with_its_identifier_is_read() -> None:
    assert read_label("1PRC0402-10K").part == "RC0402-10K"


def test_text_without_any_structure_is_the_part() -> None:
    assert read_label("R-10K-0402").part == "R-10K-0402"


def test_nothing_is_refused_with_a_reason() -> None:
    with pytest.raises(Unreadable, match="nothing was read"):
        read_label(" \r\n")
