"""The picture of settings that were tried: each where its figures say, the recommended and the recorded one
by their shapes."""

from __future__ import annotations

import re
from xml.etree.ElementTree import Element
from zoneinfo import ZoneInfo

import pytest

from service.language import ENGLISH
from service.paper.choices import BOTTOM, LEFT, RIGHT, TOP, choices
from service.paper.tell import Tell
from service.usecases.what_if import table
from tests.support.pictured import Json, of_class, parsed, texts
from tests.unit.paper.test_supposed import RECORDING, tried

TELL = Tell(ENGLISH, ZoneInfo("UTC"))


def places(root: Element, kind: str) -> list[tuple[float, float]]:
    """Of the points, below the rows that say what they are."""
    moves = [re.findall(r"[-\d.]+", each.get("transform", "")) for each in of_class(root, kind)]
    return [(float(x), float(y)) for x, y in (each for each in moves if each) if float(y) > TOP - 10]


def result(*others: tuple[float, float, int]) -> Json:
    rows = [
        tried(10.0, 8.0),
        *(tried(minutes, messages, **{"warn.lead_panels": lead}) for minutes, messages, lead in others),
    ]
    return table(RECORDING, {"scenario": "demo", "crew": 3}, rows)


def test_points_stand_where_minutes_and_messages_say() -> None:
    root = parsed(choices("c", result((5.0, 4.0, 15)), TELL))
    # By hand: the axes end at the first mark beyond 8 messages and the interval around 10 minutes: 8 and 12.
    ((x, y),) = places(root, "stop")
    assert x == RIGHT
    ((x, y),) = places(root, "early")
    assert x == pytest.approx((LEFT + RIGHT) / 2)
    assert y == pytest.approx(BOTTOM - (BOTTOM - TOP) * 5 / 12, abs=0.1)
    assert "recommended: lead 15 panels" in texts(root)


def test_every_point_lies_in_the_picture_whatever_was_tried() -> None:
    drawn = choices("c", result(*((lead / 3, 90.0 / lead, lead) for lead in range(1, 40))), TELL)
    found = [place for kind in ("early", "stop", "ok", "line") for place in places(parsed(drawn), kind)]
    assert len(found) == 40
    assert all(LEFT <= x <= RIGHT and TOP <= y <= BOTTOM for x, y in found)


def test_without_messages_to_people_there_is_no_picture() -> None:
    made = result()
    for each in made["settings"]:
        each["messages"] |= {"per_person_hour": None}
    assert choices("c", made, TELL) == ""
