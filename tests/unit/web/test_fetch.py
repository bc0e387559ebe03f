"""The fetch list over HTTP: as JSON, as rows, in words; and what is ticked as ready."""

from __future__ import annotations

import csv
from io import StringIO
from typing import Any

import pytest

from service.web.fetch import FetchView, ReadyView
from service.web.fetched import COLUMNS, as_csv
from tests.support.floor import Floor, Place
from tests.support.hostile import HOSTILE

FETCH = "/api/v1/lines/L3/fetch"
READY = "/api/v1/lines/L3/ready"
TICK = {"part": "MCU-48Q", "kind": "tray", "supplies": 2, "by": "Mira"}


@pytest.fixture
def floor(floor: Floor) -> Floor:
    """It is 07:14 in Vienna; T1 has 38 of 40 parts, 210 panels are to come."""
    return floor


def part(client: Any, name: str, query: str = "") -> Any:
    return next(each for each in client.get(FETCH + query).json()["parts"] if each["part"] == name)


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(StringIO(text, newline="")))


def test_the_list_says_how_many_of_each_part_by_when_and_where(client: Any, floor: Floor) -> None:
    found = client.get(FETCH)
    FetchView.model_validate(found.json())
    trays = part(client, "MCU-48Q")
    assert (trays["supplies"], trays["ready"], trays["missing"], trays["ticked"]) == (5, 0, 5, None)
    assert trays["for"][0] | {"by": None} == {
        "station": "P2", "slot": "T1", "order": "8842", "changeover": False, "panels": 36, "by": None,
        "boundary_only": True,
    }  # fmt: skip


def test_the_message_of_a_walk_is_the_line_for_people(client: Any, floor: Floor) -> None:
    floor.places = [each for each in floor.places if each.slot in ("T1", "F07")]
    [first, second] = client.get(f"{FETCH}?hours=2").json()["walks"]
    assert first["message"] == "L3, 07:16: 1 reel R-10K-0402, 4 trays MCU-48Q"
    assert second["message"] == "L3, 08:29: 1 tray MCU-48Q, 1 reel R-10K-0402"


@pytest.mark.parametrize(("query", "supplies"), [("?hours=0.3", 1), ("?until=2026-03-02T06:44:10Z", 2)])
def test_how_far_it_looks_ahead_can_be_said(client: Any, floor: Floor, query: str, supplies: int) -> None:
    assert part(client, "MCU-48Q", query)["supplies"] == supplies


@pytest.mark.parametrize("query", ["hours=0", "hours=169", "hours=x", "until=soon", "format=pdf"])
def test_what_is_asked_out_of_bounds_is_refused_by_name(client: Any, query: str) -> None:
    answer = client.get(f"{FETCH}?{query}")
    assert answer.status_code == 422
    assert query.partition("=")[0] in answer.json()["detail"]


def test_a_line_nobody_heard_of_has_no_list_and_nothing_ready(client: Any) -> None:
    assert client.get("/api/v1/lines/L9/fetch").status_code == 404
    assert client.post("/api/v1/lines/L9/ready", json=TICK).status_code == 404


@pytest.mark.parametrize("how", [{"params": {"format": "csv"}}, {"headers": {"accept": "text/csv"}}])
def test_the_same_for_a_spreadsheet(client: Any, floor: Floor, how: Any) -> None:
    client.post(READY, json=TICK)
    answer = client.get(FETCH, **how)
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert answer.text.startswith(",".join(COLUMNS) + "\r\n")
    [trays] = [row for row in rows(answer.text) if row["part"] == "MCU-48Q"]
    assert trays | {"by": ""} == {
        "line": "L3", "by": "", "part": "MCU-48Q", "kind": "tray", "supplies": "5", "at_least": "no",
        "ready": "2", "missing": "3", "slots": "P2 T1",
    }  # fmt: skip


def test_no_cell_is_a_formula_and_none_is_lost() -> None:
    """Outside rule: OWASP, CSV Injection: such cells begin with an apostrophe."""
    row = {"by": None, "kind": None, "supplies": 1, "at_least": True, "ready": 0, "missing": 1}
    for name in ("=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "＝1", "A,B", 'A"', *HOSTILE.values()):
        slots = [{"station": "P2", "slot": "T1"}]
        text = as_csv({"line": "L3", "parts": [row | {"part": name, "for": slots}]})
        [cells] = rows(text)
        assert cells["part"] in (name, f"'{name}")
        assert not cells["part"].startswith(("=", "+", "-", "@", "\t", "\r", "＝"))


def test_the_same_in_words_and_in_the_readers_language(client: Any, floor: Floor) -> None:
    floor.places = [each for each in floor.places if each.slot in ("T1", "F12", "S1")]
    client.post(READY, json=TICK)
    words = client.get(f"{FETCH}?hours=1", headers={"accept": "text/plain"})
    assert words.headers["content-type"] == "text/plain; charset=utf-8"
    assert words.text.split("\n") == [
        "L3, 07:22: 1 stick CONN-12W, 1 tray MCU-48Q",
        "CONN-12W: how many more isn't known, as nobody said how many parts a full supply holds.",
        "L3: 2 trays MCU-48Q ready.",
        "P1 F12: how many parts are left isn't known.",
        "",
    ]
    german = client.get(f"{FETCH}?hours=1&format=text", headers={"accept-language": "de"}).text
    assert german.startswith("L3, 07:22: 1 Stange CONN-12W, 1 Tray MCU-48Q\n")


def test_with_nothing_to_fetch_it_says_so(client: Any, floor: Floor) -> None:
    floor.places = [Place(line="L3", station="P2", slot="F1", part="X", usage=1, left=900, needed=None)]
    assert client.get(f"{FETCH}?hours=1&format=text").text == (
        "L3: nothing to fetch until 08:14, by what is known.\n"
    )


def test_a_tick_is_an_absolute_number_with_who_and_when(client: Any, floor: Floor) -> None:
    for _ in range(2):
        answer = client.post(READY, json=TICK)
        assert answer.status_code == 200
        ReadyView.model_validate(answer.json())
    assert answer.json() == {
        "line": "L3", "part": "MCU-48Q", "kind": "tray", "ready": 2,
        "ticked": {"by": "Mira", "at": "2026-03-02T06:14:07.000Z"},
    }  # fmt: skip
    assert part(client, "MCU-48Q")["missing"] == 3
    client.post(READY, json=TICK | {"supplies": 0})
    assert part(client, "MCU-48Q")["ticked"] is None


@pytest.mark.parametrize(
    ("wrong", "named"),
    [({"supplies": -1}, "supplies"), ({"supplies": "2"}, "supplies"), ({"supplies": 10_000}, "supplies"),
     ({"part": ""}, "part"), ({"part": None}, "part"), ({"kind": "box"}, "kind"), ({"by": " "}, "by")],
)  # fmt: skip
def test_a_tick_that_does_not_fit_is_refused_by_name(
    client: Any, floor: Floor, wrong: dict[str, object], named: str
) -> None:
    answer = client.post(READY, json=TICK | wrong)
    assert answer.status_code == 422
    assert named in answer.json()["detail"]
    assert floor.shelf.world.line("L3").ready == []
