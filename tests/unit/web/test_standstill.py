"""Why a line stood, over HTTP: as JSON, as a page in the reader's language, and while it isn't known yet."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from html import unescape
from typing import Any
from urllib.parse import parse_qsl

import pytest
from starlette.testclient import TestClient

from service.domain.model import to_rfc3339
from service.language import ENGLISH
from service.paper.tell import Tell
from service.reviewing import NothingToReview, NotReviewed
from service.web.stood import Stood
from tests.support.floor import plant
from tests.support.stood import REPORT, VIENNA, Reviewed, moment

CALL = "/api/v1/standstill"
AT = {"line": "L3", "at": "2026-02-27T10:43"}
Ask = Callable[..., Any]


@pytest.fixture
def ask() -> Iterator[Ask]:
    """``ask(path, reviews=…, **query)``."""
    with ExitStack() as stack:

        def get(path: str, reviews: Any = None, accept: str = "en", **query: str) -> Any:
            app, _ = plant(reviews=reviews or Reviewed())
            client = stack.enter_context(TestClient(app, raise_server_exceptions=False))
            return client.get(path, params=query, headers={"accept-language": accept})

        yield get


def test_the_call_says_what_began_it_and_shows_the_minutes_around_it(ask: Ask) -> None:
    found = ask(CALL, **AT).json()
    assert (found["stood"], found["cause"], found["began"]["slot"]) == (True, "supply", "F07")
    assert found["warning"]["opened"] == moment("10:31")
    assert [each["cause"] for each in found["timeline"]["P2"]] == [None, "starved", None]
    assert "warnings" not in found


def test_a_review_is_waited_for_and_then_told_how_far_it_is(ask: Ask) -> None:
    assert ask(CALL, Reviewed(after=3), **AT).status_code == 200
    late = ask(CALL, Reviewed(after=10_000), **AT)
    assert (late.status_code, late.json()) == (202, {"entries": 1200, "waits": 0})
    assert late.headers["retry-after"] == "1"


@pytest.mark.parametrize(
    ("query", "status", "said"),
    [
        ({"line": "L3", "at": "soon"}, 422, "at: write a clock time such as 10:42"),
        ({"line": "L3", "at": "2999-01-01T00:00Z"}, 422, "lies ahead"),
        ({"line": "L9", "at": "10:42"}, 404, "nothing is known of that time"),
        ({"at": "10:42"}, 422, "line"),
    ],
)
def test_what_cannot_be_answered_is_said(ask: Ask, query: dict[str, str], status: int, said: str) -> None:
    answer = ask(CALL, **query)
    assert answer.status_code == status
    assert said in answer.json()["detail"]


@pytest.mark.parametrize(
    ("error", "status"), [(NothingToReview("none"), 404), (NotReviewed("it took too long"), 503)]
)
def test_a_time_that_cannot_be_reviewed_says_why(ask: Ask, error: Exception, status: int) -> None:
    assert ask(CALL, Reviewed(error=error), **AT).status_code == status
    assert ask("/standstill", Reviewed(error=error), **AT).status_code == status


def test_the_page_says_it_in_words(ask: Ask) -> None:
    page = ask("/standstill", **AT).text
    for said in (
        "Line L3 stood from 10:42:00 to 10:47:00, 5 min: supply out.",
        "P1 F07, R-10K-0402: supply out, from 10:40:00 to 10:46:00.",
        "its tower showed &#34;out&#34; for F07",
        "How sure that is: 97 %.",
        "It came at 10:31:00, 9 min before.",
        "Mira took it after 1 min.",
        "It was over at 10:46:05: refilled.",
        "P0: held by a later station, since 10:41:00",
        "P2: no work from an earlier station, since 10:42:00",
        "Before: P1, fault, 10:20:00",
        "The road ahead of line L3 at 10:39",
    ):
        assert said in page, said


def test_the_page_of_a_moment_at_which_it_worked_names_the_stops_before_and_after(ask: Ask) -> None:
    page = ask("/standstill", line="L3", at="2026-02-27T10:30").text
    assert "Line L3 worked at 10:30:00." in page
    assert "After: P1 F07, supply out, 10:40:00" in page
    assert "No warning had come" not in page


def test_the_page_of_a_supply_that_nobody_was_warned_of_says_so(ask: Ask) -> None:
    report = REPORT | {"warnings": {"each": []}}
    assert "No warning had come." in ask("/standstill", Reviewed(report), **AT).text


def test_day_and_time_of_the_form_are_a_moment_at_the_plant(ask: Ask) -> None:
    page = ask("/standstill", line="L3", at="10:43", day="2026-02-27").text
    assert "stood from 10:42:00" in page
    assert 'value="10:43"' in page


def test_a_clock_time_is_by_the_time_of_the_plant_as_the_page_shows_it(ask: Ask) -> None:
    """The plant's last word came at 06:14 UTC on 2 March, long ago: so it is in a replay too."""
    assert ask(CALL, line="L3", at="07:30").json()["asked"] == "2026-03-01T06:30:00.000Z"
    assert "lies ahead" in ask(CALL, line="L3", at="2026-03-02T07:30").json()["detail"]


def test_how_long_it_stood_is_no_matter_of_what_the_clocks_showed() -> None:
    """Europe/Vienna, 2026-03-29: from 02:00 the clocks leap to 03:00, at 01:00 UTC."""
    found = at_the_leap("2026-03-29T00:58:00.000Z", "2026-03-29T01:03:00.000Z")
    assert found.headline == "Line L3 stood from 01:58:00 to 03:03:00, 5 min: supply out."


def at_the_leap(since: str, until: str) -> Stood:
    stood = {"line": "L3", "known": True, "stood": True, "goes_on": False, "cause": "supply"}
    times = {"at": since, "since": since, "until": until, "from": "2026-03-29T00:00:00.000Z"}
    return Stood(found=stood | times, tell=Tell(ENGLISH, VIENNA))


def test_the_review_it_leads_to_is_of_that_time(ask: Ask) -> None:
    page = ask("/standstill", **AT).text
    query = dict(parse_qsl(unescape(page.split('<a class="button" href="/review?')[1].split('"')[0])))
    reviews = Reviewed(after=10_000)
    assert ask("/review", reviews, **query).status_code == 200
    (since, until, _line), *_ = reviews.asked
    assert (to_rfc3339(since), to_rfc3339(until)) == (moment("09:40"), moment("11:20"))


def test_in_german_it_is_said_in_german(ask: Ask) -> None:
    page = ask("/standstill", accept="de", **AT).text
    assert "Linie L3 stand von 10:42:00 bis 10:47:00, 5 min: Vorrat leer." in page


def test_without_a_moment_it_asks_for_one_and_a_wrong_one_is_told(ask: Ask) -> None:
    assert "Why did the line stand?" in ask("/standstill").text
    wrong = ask("/standstill", line="L3", at="25:00")
    assert wrong.status_code == 422
    assert "write a clock time such as 10:42" in wrong.text


def test_while_it_is_reviewed_the_page_says_so_and_asks_again(ask: Ask) -> None:
    page = ask("/standstill", Reviewed(after=10_000), **AT).text
    assert 'data-waits="1200"' in page
    assert "is being reviewed" in page
