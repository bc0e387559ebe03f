"""The daily sign of life: what it says, and that it is said once a day on the plant's clocks."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

from service.domain.model import Notice, from_datetime
from service.domain.said import put
from service.usecases.awake import Morning, awake
from tests.support.notices import notice
from tests.support.outbox import MemoryOutbox

VIENNA = ZoneInfo("Europe/Vienna")


def at(text: str) -> int:
    return from_datetime(datetime.fromisoformat(text).replace(tzinfo=VIENNA).astimezone(UTC))


def said(**facts: Any) -> str:
    known: dict[str, Any] = {"site": "Werk Nord", "open_notices": 2, "warnings": 41, "troubled": []}
    return put(awake(**known | facts), VIENNA)


def test_it_says_what_is_open_what_was_warned_of_and_that_all_outlets_are_well() -> None:
    assert said() == (
        "Earlybell is awake at Werk Nord: 2 notices open, 41 warnings yesterday, all outlets well."
    )
    assert said(open_notices=0, warnings=1) == (
        "Earlybell is awake at Werk Nord: 0 notices open, 1 warning yesterday, all outlets well."
    )


def test_it_names_the_outlets_that_do_not_deliver() -> None:
    assert said(troubled=["mail", "hook"]).endswith("no message gets through by mail, hook.")


class Past:
    """The part of the store's reading side that is asked."""

    def __init__(self, *notices: Notice) -> None:
        self._notices = sorted(notices, key=lambda each: (each.opened_at, each.id), reverse=True)

    def notices(
        self, *, states: Sequence[str] | None, limit: int, after: str | None, place: Any = None
    ) -> list[Notice]:
        fitting = [each for each in self._notices if each.state in (states or ("open", "taken", "quiet"))]
        names = [each.id for each in fitting]
        return fitting[0 if after is None else names.index(after) + 1 :][:limit]


def morning(outbox: MemoryOutbox, past: Past | None = None, **options: Any) -> Morning:
    known: dict[str, Any] = {
        "wall": "07:00",
        "zone": VIENNA,
        "site": "Werk Nord",
        "outlets": ["mail", "chat"],
        "archive": past or Past(),
        "troubled": list,
        "add": outbox.add,
    }
    return Morning(**known | options)


def test_it_is_due_once_a_day_from_its_time_on() -> None:
    one = morning(MemoryOutbox())
    assert not one.is_due(at("2026-03-29T06:59:59"))
    assert one.is_due(at("2026-03-29T07:00:00"))
    one.say(at("2026-03-29T07:00:00"))
    assert not one.is_due(at("2026-03-29T23:59:00"))
    assert not one.is_due(at("2026-03-30T06:59:00"))
    assert one.is_due(at("2026-03-30T07:00:00"))


def test_a_restart_says_it_not_again() -> None:
    outbox = MemoryOutbox()
    for moment in ("07:00", "07:05", "11:00"):
        morning(outbox).say(at(f"2026-03-29T{moment}"))
    noon = at("2026-03-29T12:00")
    claimed = outbox.claim(owner="a", now=noon, lease_until=noon + 1, limit=9)
    assert sorted(each.outlet for each in claimed) == ["chat", "mail"]
    assert {each.notice.kind for each in claimed} == {"awake"}


def test_yesterdays_warnings_are_counted_by_the_days_of_the_plant() -> None:
    moments = ["27T23:30", "28T00:00", "28T09:00", "28T23:59", "29T00:00", "29T06:30"]
    past = Past(
        *(
            notice(id=f"n{number}", state="closed", opened_at=_utc(f"2026-03-{moment}"))
            for number, moment in enumerate(moments)
        ),
        notice(id="q", kind="question", opened_at=_utc("2026-03-28T10:00")),
    )
    outbox = MemoryOutbox()
    morning(outbox, past, outlets=["mail"], page=2).say(at("2026-03-29T07:00"))
    (claimed,) = outbox.claim(
        owner="a", now=at("2026-03-29T08:00"), lease_until=at("2026-03-29T09:00"), limit=9
    )
    assert "1 notice open, 3 warnings yesterday" in claimed.notice.message


def _utc(local: str) -> str:
    moment = datetime.fromisoformat(local).replace(tzinfo=VIENNA).astimezone(UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
