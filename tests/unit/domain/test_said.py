"""A sentence before it is put into a language: the same in English as ever, and whole after storing."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import msgspec
import pytest

from service.domain.model import Level, Notice
from service.domain.said import Said, put
from tests.support.notices import notice

PANELS = Said("{number} more panel", {"number": 1}, many="{number} more panels")
WHOLE = Said(
    "{where} lasts {panels} from {since_at}: {each}. {share}",
    {
        "where": "L3 P1 {n}",
        "panels": PANELS,
        "since_at": "2026-03-02T06:14:07.250Z",
        "each": (Said("{slot} differs", {"slot": "T1"}), Said("{slot} differs", {"slot": "T2"})),
        "share": 0.25,
    },
)


class Shouting:
    """A language of its own: everything is loud, and one is many."""

    def say(self, text: str, /, **values: object) -> str:
        return text.upper().format_map({name.upper(): value for name, value in values.items()})

    def say_many(self, one: str, many: str, number: float, /, **values: object) -> str:
        return self.say(many, **values)

    def number(self, value: float, /) -> str:
        return f"<{value}>"

    def clock(self, local: datetime, /) -> str:
        return f"{local:%Hh%M}"

    def day(self, local: datetime, /) -> str:
        return f"{local:%d.%m.}"


def test_in_english_it_is_said_with_the_clock_of_the_plant() -> None:
    said = put(WHOLE, ZoneInfo("Europe/Berlin"))
    assert said == "L3 P1 {n} lasts 1 more panel from 07:14: T1 differs; T2 differs. 0.25"


def test_another_language_says_all_of_it_its_own_way() -> None:
    said = put(WHOLE, UTC, Shouting())
    assert said == "L3 P1 {n} LASTS <1> MORE PANELS FROM 06h14: T1 DIFFERS; T2 DIFFERS. <0.25>"


def test_a_moment_is_said_as_its_date_on_the_clocks_of_the_plant_where_that_is_asked() -> None:
    said = Said(
        "{since_on}, {since_at}", {"since_on": "2026-03-02T23:30:00Z", "since_at": "2026-03-02T23:30:00Z"}
    )
    assert put(said, ZoneInfo("Europe/Berlin")) == "2026-03-03, 00:30"
    assert put(said, UTC, Shouting()) == "02.03., 23h30"


@pytest.mark.parametrize(
    ("value", "shown"), [(0, "0"), (1234567, "1,234,567"), (4.0, "4"), (0.5, "0.5"), (1234.5, "1,234.5")]
)
def test_numbers_are_grouped_and_have_no_needless_places(value: float, shown: str) -> None:
    assert put(Said("{value}", {"value": value}), UTC) == shown


def test_what_is_counted_may_be_half_a_thing() -> None:
    half = Said("{number} part", {"number": 0.5}, many="{number} parts")
    assert put(half, UTC) == "0.5 parts"


@pytest.mark.parametrize("form", [msgspec.json, msgspec.msgpack])
def test_it_comes_back_from_the_store_as_it_was(form: object) -> None:
    kept = notice(said=WHOLE, level=Level.EARLY.value)
    assert form.decode(form.encode(kept), type=Notice) == kept  # type: ignore[attr-defined]


def test_a_notice_from_before_has_none() -> None:
    old = msgspec.to_builtins(notice())
    del old["said"]
    assert msgspec.convert(old, Notice).said is None
