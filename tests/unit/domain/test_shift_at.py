"""Which shift runs at a moment. Times by hand; Vienna is an hour ahead of UTC in winter."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from service.domain.calendar import shift_at
from service.domain.model import from_datetime, to_datetime
from service.domain.policy import Policy, Shift

VIENNA = ZoneInfo("Europe/Vienna")
THREE = Policy(
    timezone="Europe/Vienna",
    shifts=(
        Shift(start="06:00", end="14:00", days=("mon", "tue", "wed", "thu", "fri")),
        Shift(start="14:00", end="22:00", line="L3"),
        Shift(start="22:00", end="06:00", line="L4"),
    ),
    closed=("2026-03-04",),
)


def local(text: str) -> int:
    return from_datetime(datetime.fromisoformat(text).replace(tzinfo=VIENNA))


def shift(text: str, line: str | None = None) -> tuple[str, str] | None:
    found = shift_at(THREE, line, local(text))
    if found is None:
        return None
    begin, end = (f"{to_datetime(each).astimezone(VIENNA):%d %H:%M}" for each in found)
    return begin, end


@pytest.mark.parametrize(
    ("when", "line", "expected"),
    [
        ("2026-03-02T06:00", "L3", ("02 06:00", "02 14:00")),
        ("2026-03-02T13:59", None, ("02 06:00", "02 14:00")),
        ("2026-03-02T14:00", "L3", ("02 14:00", "02 22:00")),
        ("2026-03-02T14:00", "L4", None),
        ("2026-03-03T05:59", "L4", ("02 22:00", "03 06:00")),
        ("2026-03-03T05:59", "L3", None),
        ("2026-03-03T05:59", None, ("02 22:00", "03 06:00")),
        ("2026-03-04T10:00", "L3", None),  # closed
        ("2026-03-04T05:00", "L4", ("03 22:00", "04 06:00")),  # it began before the closed day
        ("2026-03-01T10:00", "L3", None),  # a Sunday
    ],
)
def test_the_shift_that_runs(when: str, line: str | None, expected: tuple[str, str] | None) -> None:
    assert shift(when, line) == expected


def test_of_two_that_overlap_the_later_one() -> None:
    policy = Policy(shifts=(Shift(start="06:00", end="14:00"), Shift(start="12:00", end="20:00")))
    found = shift_at(policy, None, from_datetime(datetime.fromisoformat("2026-03-02T13:00+00:00")))
    assert found is not None
    assert f"{to_datetime(found[0]):%H}" == "12"


def test_without_shifts_none_runs() -> None:
    assert shift_at(Policy(closed=("2026-03-04",)), "L3", local("2026-03-02T10:00")) is None
