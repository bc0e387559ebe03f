"""The review over HTTP: told how far it is until it is there, then as JSON, page, document and sheets."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from io import StringIO
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.domain.model import to_rfc3339
from service.domain.policy import Policy, Shift
from service.reviewing import NothingToReview, NotReviewed, TooManyReviews
from tests.support.floor import START, plant
from tests.support.reports import Ready, made_report

CALL = "/api/v1/review"
HOUR = {"from": "2026-03-02T05:00:00Z", "to": "2026-03-02T06:00:00Z"}
Ask = Callable[..., Any]


@pytest.fixture
def ask() -> Iterator[Ask]:
    """``ask(path, reviews=…, accept=…, **query)``."""
    with ExitStack() as stack:

        def get(path: str, reviews: Any = None, accept: str = "*/*", shifts: Any = (), **query: str) -> Any:
            app, floor = plant(reviews=reviews or Ready())
            floor.policy = Policy(shifts=shifts)
            client = stack.enter_context(TestClient(app, raise_server_exceptions=False))
            return client.get(path, params=query, headers={"accept": accept, "accept-language": "en"})

        yield get


def test_a_report_that_is_not_there_yet_is_told_how_far_it_is(ask: Ask) -> None:
    answer = ask(CALL, Ready(after=9), **HOUR)
    assert answer.status_code == 202
    assert answer.headers["retry-after"] == "1"
    said = answer.json()
    assert (said["ready"], said["entries"], said["waits"]) == (False, 1200, 0)
    assert (said["from"], said["to"]) == ("2026-03-02T05:00:00.000Z", "2026-03-02T06:00:00.000Z")
    assert ask(f"{CALL}/state", Ready(after=9), **HOUR).json() == said


def test_a_report_that_is_there_is_given_as_it_is(ask: Ask) -> None:
    assert ask(CALL, **HOUR).json() == made_report()
    assert ask(f"{CALL}/state", **HOUR).json()["ready"] is True


@pytest.mark.parametrize(
    ("path", "accept", "kind", "begins", "name"),
    [
        (".html", "*/*", "text/html", "<!doctype html>", "review-2026-03-02-0500.html"),
        (".pdf", "*/*", "application/pdf", "%PDF-", "review-2026-03-02-0500.pdf"),
        (".csv", "*/*", "text/csv", "line,station,since", "review-2026-03-02-0500.stops.csv"),
        ("", "text/html", "text/html", "<!doctype html>", "review-2026-03-02-0500.html"),
        ("", "application/pdf", "application/pdf", "%PDF-", "review-2026-03-02-0500.pdf"),
        ("", "text/csv", "text/csv", "line,station,since", "review-2026-03-02-0500.stops.csv"),
    ],
)
def test_it_can_be_taken_along(ask: Ask, path: str, accept: str, kind: str, begins: str, name: str) -> None:
    answer = ask(CALL + path, accept=accept, **HOUR)
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith(kind)
    assert answer.text.startswith(begins)
    assert f'filename="{name}"' in answer.headers["content-disposition"]


def test_each_sheet_can_be_asked_for(ask: Ask) -> None:
    for sheet in ("stops", "lost", "times", "warnings", "losses"):
        answer = ask(f"{CALL}.csv", sheet=sheet, **HOUR)
        assert len(list(csv.reader(StringIO(answer.text, newline="")))) > 1
    assert ask(f"{CALL}.csv", sheet="secrets", **HOUR).status_code == 422


@pytest.mark.parametrize(
    ("query", "status", "said"),
    [
        ({"from": "yesterday"}, 422, "no RFC 3339 time"),
        ({"from": HOUR["to"], "to": HOUR["from"]}, 422, "isn't before `to`"),
        ({"from": "2026-01-01T00:00:00Z", "to": HOUR["to"]}, 422, "more than 31 days"),
        ({"from": "2999-01-01T00:00:00Z"}, 422, "nothing has happened yet"),
        ({"to": HOUR["to"]}, 422, "say it too"),
        ({"from": "0001-01-01T00:00:00+14:00", "to": "0001-01-02T00:00:00Z"}, 422, "outside the years"),
        ({"from": "9999-12-31T00:00:00Z", "to": "9999-12-31T00:00:00Z"}, 422, "outside the years"),
    ],
)
def test_a_time_that_cannot_be_reviewed_is_refused(ask: Ask, query: Any, status: int, said: str) -> None:
    answer = ask(CALL, **query)
    assert (answer.status_code, said in answer.json()["detail"]) == (status, True)


@pytest.mark.parametrize(
    ("error", "status"),
    [(NothingToReview("none"), 404), (NotReviewed("it took too long"), 503), (TooManyReviews("later"), 503)],
)
def test_what_went_wrong_is_said(ask: Ask, error: Exception, status: int) -> None:
    answer = ask(CALL, Ready(error=error), **HOUR)
    assert (answer.status_code, answer.json()["detail"]) == (status, str(error))
    page = ask("/review", Ready(error=error), time="{from}/{to}".format(**HOUR))
    assert (page.status_code, str(error) in page.text) == (200, True)


def asked(reviews: Ready) -> tuple[str, str]:
    since, until, _ = reviews.asked[-1]
    return to_rfc3339(since), to_rfc3339(until)


def test_the_shift_that_runs_is_meant_or_the_one_before_it_just_after_the_change(ask: Ask) -> None:
    """The plant's last word came at 06:14 UTC, which is 06:14 where shifts are by UTC."""
    runs = Ready()
    ask(CALL, runs, shifts=(Shift(start="05:00", end="13:00"), Shift(start="21:00", end="05:00")))
    assert asked(runs) == ("2026-03-02T05:00:00.000Z", to_rfc3339(START // 60_000_000 * 60_000_000))
    before = Ready()
    ask(CALL, before, shifts=(Shift(start="06:00", end="14:00"), Shift(start="22:00", end="06:00")))
    assert asked(before) == ("2026-03-01T22:00:00.000Z", "2026-03-02T06:00:00.000Z")


def test_the_page_offers_times_and_shows_what_is_asked_for(ask: Ask) -> None:
    shifts = (Shift(start="05:00", end="13:00"), Shift(start="21:00", end="05:00"))
    shown = ask("/review", shifts=shifts)
    assert '<option value="2026-03-02T05:00:00.000Z/2026-03-02T13:00:00.000Z" selected>' in shown.text
    assert "In short" not in shown.text, "nothing is reviewed that nobody asked for"
    found = ask("/review", time="2026-03-02T05:00:00Z/2026-03-02T06:00:00Z").text
    assert made_report()["summary"][0]["message"] in found
    assert "/api/v1/review.pdf?from=2026-03-02T05%3A00%3A00.000Z&amp;to=2026-03-02T06%3A00%3A00.000Z" in found
    making = ask("/review", Ready(after=9), begin="2026-03-02T05:00", end="2026-03-02T06:00").text
    assert "It is being put together." in making
    assert ask("/review", time="soon").status_code == 200
    assert ask("/review", begin="0001-01-01T00:00", end="0001-01-01T00:10").status_code == 200


def test_what_it_looks_like_comes_with_the_page(ask: Ask) -> None:
    answer = ask("/static/review.css")
    assert answer.headers["content-type"].startswith("text/css")
    assert ".review" in answer.text
