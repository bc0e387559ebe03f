"""Which lot fed which panels, over HTTP: a night in a real store, asked in every way that people ask."""

from __future__ import annotations

import csv
from io import StringIO
from typing import Any

import pytest

from service.ports import StoreError
from service.web.lots import COLUMNS, GotView, StayView
from tests.support.floor import Floor

STAYS, PANELS = "/api/v1/stays", "/api/v1/panels"


def places(client: Any, query: str) -> list[tuple[str, str, str, str | None]]:
    found = client.get(f"{STAYS}?{query}").json()
    return [(each["line"], each["station"], each["slot"], each["lot"]) for each in found]


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(StringIO(text, newline="")))


def test_a_lot_is_found_with_where_when_who_and_which_panels(client: Any) -> None:
    found = client.get(f"{STAYS}?lot=A77").json()
    for each in found:
        StayView.model_validate(each)
    assert [(each["line"], each["slot"], each["supply"]) for each in found] == [
        ("L3", "F07", "U-4712"), ("L3", "F07", "U-4711"), ("L4", "F07", "U-A77")
    ]  # fmt: skip
    old = found[1]
    assert (old["from"], old["to"]) == ("2026-03-02T04:10:00.000Z", "2026-03-02T04:40:00.000Z")
    assert (old["by"], old["ended"], old["ended_by"], old["used"]) == (
        "Mira",
        "loaded over",
        "Jonas",
        75 * 18,
    )
    first, second = old["panels"]
    assert (first["order"], first["possible"], first["sure"]) == (
        "8841", {"first": 26, "last": 70}, {"first": 27, "last": 70}
    )  # fmt: skip
    assert (second["order"], second["possible"], second["sure"]) == (
        "8842", {"first": 1, "last": 31}, {"first": 1, "last": 30}
    )  # fmt: skip


def test_what_feeds_now_is_told_as_far_as_it_came(client: Any) -> None:
    [now] = client.get(f"{STAYS}?supply=U-4712").json()
    assert (now["to"], now["ended"], now["used"]) == (None, None, 12 * 18)
    assert now["panels"][-1]["possible"] == {"first": 39, "last": 50}


def test_a_joined_tape_whose_joint_has_not_passed_waits(client: Any) -> None:
    [waits] = client.get(f"{STAYS}?lot=C31").json()
    assert (waits["waits"], waits["from"], waits["panels"]) == (True, None, [])


@pytest.mark.parametrize(
    ("query", "lots"),
    [
        ("part=MCU-48Q&line=L3", ["M6", "M5"]),
        ("line=L4&station=P1&slot=F07", ["=A77", "A78", "A77"]),
        ("q=u-4711", ["A77"]),
        ("q=%20A78%20", ["A78"]),
        ("lot=a77", []),
        ("slot=F07&line=L4&to=2026-03-02T04:05:00Z", ["A77"]),
        ("slot=F07&line=L4&from=2026-03-02T04:50:00Z", ["=A77"]),
        ("slot=F07&limit=2", ["A77", "=A77"]),
        ("order=8842&panel=5&line=L3", ["M6", "A77", "X1", "C30"]),
        ("order=8841&panel=26&slot=F07&line=L3", ["A77", "A75"]),
        ("order=8841&panel=26&slot=F07", ["A77", "A77", "A75"]),
        ("order=8840", []),
        ("order=8841&panel=300", []),
    ],
)
def test_it_can_be_asked_by_lot_part_supply_place_time_order_and_panel(
    client: Any, query: str, lots: list[str]
) -> None:
    assert [lot for *_, lot in places(client, query)] == lots


def test_of_one_panel_it_is_told_what_is_sure(client: Any) -> None:
    found = client.get(f"{STAYS}?order=8841&panel=26&slot=F07&line=L3").json()
    assert [(each["lot"], each["sure"]) for each in found] == [("A77", False), ("A75", False)]
    [found] = client.get(f"{STAYS}?order=8841&panel=27&slot=F07&line=L3").json()
    assert (found["lot"], found["sure"]) == ("A77", True)


def test_the_stays_are_paged(client: Any) -> None:
    whole = [each["id"] for each in client.get(STAYS).json()]
    first = client.get(f"{STAYS}?limit=5").json()
    rest = client.get(f"{STAYS}?after={first[-1]['id']}").json()
    assert [each["id"] for each in [*first, *rest]] == whole


def test_which_panels_got_a_lot_is_told_by_order_with_the_sure_and_the_possible_ones_apart(
    client: Any,
) -> None:
    found = client.get(f"{PANELS}?lot=A77").json()
    GotView.model_validate(found)
    told = {(each["line"], each["order"]): each for each in found["orders"]}
    assert sorted(told) == [("L3", "8841"), ("L3", "8842"), ("L4", "8841")]
    there = told["L3", "8842"]
    assert there["slots"] == [{"station": "P1", "slot": "F07"}]
    assert there["sure"] == [{"first": 1, "last": 30}, {"first": 40, "last": 50}]
    assert there["possible"] == [{"first": 31, "last": 31}, {"first": 39, "last": 39}]
    assert (found["stays"], found["more"]) == (3, False)


def test_as_rows_there_is_one_for_each_order(client: Any) -> None:
    answer = client.get(f"{STAYS}?lot=A77&format=csv")
    assert answer.headers["content-type"].startswith("text/csv")
    assert answer.headers["content-disposition"] == 'attachment; filename="stays.csv"'
    found = rows(answer.text)
    assert list(found[0]) == list(COLUMNS)
    told = [(row["line"], row["order"], row["sure_first"], row["possible_last"]) for row in found]
    assert told == [
        ("L3", "8842", "40", "50"), ("L3", "8841", "27", "70"), ("L3", "8842", "1", "31"),
        ("L4", "8841", "2", "56"),
    ]  # fmt: skip
    assert client.get(f"{STAYS}?lot=A77", headers={"accept": "text/csv"}).text == answer.text


def test_a_spreadsheet_takes_nothing_in_a_row_for_a_formula(client: Any) -> None:
    [row] = rows(client.get(f"{STAYS}?line=L4&lot=%3DA77&format=csv").text)
    assert row["lot"] == "'=A77"


def test_a_stay_without_panels_has_a_row_too(client: Any) -> None:
    [row] = rows(client.get(f"{STAYS}?lot=C31&format=csv").text)
    assert (row["lot"], row["order"], row["possible_first"]) == ("C31", "", "")


@pytest.mark.parametrize(
    "path",
    [f"{STAYS}?panel=3", f"{STAYS}?order=8841&panel=0", f"{STAYS}?line=a/b", f"{STAYS}?from=soon", PANELS,
     f"{STAYS}?format=pdf", f"{STAYS}?limit=0", f"{PANELS}?lot=%20"],
)  # fmt: skip
def test_what_cannot_be_meant_is_refused_by_name(client: Any, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 422
    assert answer.json()["detail"].split(":")[0] in ("panel", "line", "from", "lot", "format", "limit")


@pytest.mark.parametrize("path", [f"{STAYS}?lot=A77", f"{STAYS}?format=csv", f"{PANELS}?lot=A77"])
def test_a_store_that_is_away_is_told(client: Any, floor: Floor, path: str) -> None:
    floor.broken = StoreError("down")
    assert client.get(path).status_code == 503


def test_the_page_is_there_for_whoever_may_read(client: Any) -> None:
    assert client.get("/lots").status_code == 200
