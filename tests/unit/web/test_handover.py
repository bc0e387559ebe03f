"""The shift handover over HTTP: as JSON, in words, as a page."""

from __future__ import annotations

from typing import Any

import pytest

from service.domain.policy import Policy, Shift
from tests.support.floor import Floor, Place
from tests.support.hostile import HOSTILE

TEXT = {"accept": "text/plain"}
HTML = {"accept": "text/html"}


@pytest.fixture
def floor(floor: Floor) -> Floor:
    """It is 07:14 in Vienna."""
    floor.take("n-L3-P1-F07", by="Mira")
    floor.ask("P2", "F31")
    return floor


def test_the_handover_names_what_is_open_taken_and_asked(client: Any, floor: Floor) -> None:
    found = client.get("/api/v1/handover").json()
    assert [each["slot"] for each in found["open"]] == ["T2"]
    assert [(each["slot"], each["taken_by"]) for each in found["taken"]] == [("F07", "Mira")]
    assert [each["slot"] for each in found["questions"]] == ["F31"]
    assert found["next"][0]["slot"] == "T2"
    assert found["shift_ends"] is None


def test_how_far_it_looks_ahead_can_be_said(client: Any, floor: Floor) -> None:
    def slots(hours: str) -> list[str]:
        return [each["slot"] for each in client.get(f"/api/v1/handover?hours={hours}").json()["next"]]

    assert slots("0.1") == ["T2", "F07"]
    assert "F08" in slots("2")
    assert "F08" not in slots("1")


@pytest.mark.parametrize("hours", ["0", "-1", "25", "x", "nan"])
def test_hours_out_of_bounds_are_refused_by_name(client: Any, hours: str) -> None:
    answer = client.get(f"/api/v1/handover?hours={hours}")
    assert answer.status_code == 422
    assert "hours" in answer.json()["detail"]


def test_a_line_nobody_heard_of_has_no_handover(client: Any) -> None:
    assert client.get("/api/v1/handover?line=L9").status_code == 404


def test_only_the_line_that_is_asked_for(client: Any, floor: Floor) -> None:
    floor.places.append(Place(line="L4", station="P1", slot="F02", part="C-22P-0402", left=6))
    floor.warn("P1", "F02", level="urgent", line="L4")
    assert len(client.get("/api/v1/handover").json()["open"]) == 2
    found = client.get("/api/v1/handover?line=L4").json()
    assert {each["line"] for each in found["open"] + found["next"]} == {"L4"}
    assert found["line"] == "L4"


def test_the_same_in_words(client: Any, floor: Floor) -> None:
    answer = client.get("/api/v1/handover?line=L3", headers=TEXT)
    assert answer.headers["content-type"] == "text/plain; charset=utf-8"
    for words in (
        "Handover, line L3\nAs of 07:14, 2026-03-02. The last eight hours, since 2026-03-01 23:14.",
        "\nNobody is on it\n- P2 T2: RF-SHIELD-22 · 2 panels left · about 07:14\n",
        "\nSomebody is on it\n- P1 F07: R-10K-0402 · 9 panels left · about 07:17 · Mira is on it, 07:14\n",
        "\nBring, for the next change of each slot\n- RF-SHIELD-22: 1 tray · P2 T2\n",
        "\nWhat happened\n- No warning ended.\n",
    ):
        assert words in answer.text


def test_the_shift_is_the_one_that_ran_half_an_hour_ago(client: Any, floor: Floor) -> None:
    night, early = Shift(start="23:00", end="07:00"), Shift(start="07:00", end="15:00")
    floor.policy = Policy(timezone="Europe/Vienna", shifts=(night, early))
    text = client.get("/api/v1/handover", headers=TEXT).text
    assert "The shift from 2026-03-01 23:00 to 07:00." in text


def test_the_words_are_those_of_the_readers_language(client: Any, floor: Floor) -> None:
    text = client.get("/api/v1/handover", headers=TEXT | {"accept-language": "de"}).text
    assert "02.03.2026" in text


def test_the_page_holds_all_without_any_script_and_markup_stays_text(client: Any, floor: Floor) -> None:
    floor.place("P2", "T2").part = "<b>X</b>"
    floor.warn("P2", "T2", level="empty")
    page = client.get("/handover?line=L3&hours=2", headers=HTML).text
    assert "&lt;b&gt;X&lt;/b&gt; · empty, the station waits" in page
    assert "<b>X</b>" not in page
    assert 'href="/line/L3/station/P1/slot/F08"' in page
    assert "<option selected>2</option>" in page


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_a_hostile_part_adds_no_element(client: Any, floor: Floor, text: str) -> None:
    elements = client.get("/handover", headers=HTML).text.count("<")
    floor.place("P2", "T2").part = text
    floor.warn("P2", "T2", level="urgent")
    assert client.get("/handover", headers=HTML).text.count("<") == elements


@pytest.mark.parametrize("path", ["/", "/handover", "/history"])
def test_who_looks_at_one_line_goes_on_looking_at_it(client: Any, path: str) -> None:
    page = client.get(f"{path}?line=L3", headers=HTML).text
    for then in ("/", "/handover", "/history"):
        assert f'href="{then}?line=L3"' in page
    assert 'href="/record"' in page


def test_a_line_that_is_gone_leads_to_the_page_of_all(client: Any) -> None:
    assert "Handover, all lines" in client.get("/handover?line=gone", headers=HTML).text


def test_looking_changes_nothing(client: Any, floor: Floor) -> None:
    versions = [note.version for note in floor.notes.values()]
    for _ in range(2):
        client.get("/handover")
    assert [note.version for note in floor.notes.values()] == versions
