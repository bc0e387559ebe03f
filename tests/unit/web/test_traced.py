"""The id by which a request is followed, and what is told of its end."""

from __future__ import annotations

import re

import pytest
from fastapi import FastAPI
from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.testclient import TestClient

from service.ports import StoreError
from service.tracing import REQUEST, Served
from service.web.answers import explain_failures
from service.web.traced import Traced, request_id
from tests.support.floor import Floor

TRACE = "4bf92f3577b34da6a3ce929d0e0e4736"
OWN = re.compile(r"[0-9a-f]{32}")


@pytest.mark.parametrize("given", ["call-42", "A.b:c-9", "x" * 64, "0f8fad5b-d9cb-469f-a165-70867728950e"])
def test_a_sane_id_is_taken(given: str) -> None:
    assert request_id(Headers({"x-request-id": given})) == given


@pytest.mark.parametrize(
    "given",
    ["", " ", "x" * 65, "a b", "-a", "a/b", "a\u00e4", '"a"', "a;b", "${jndi:x}", "eb_" + "k" * 43, "el_k"],
)
def test_any_other_is_as_if_it_were_not_there(given: str) -> None:
    made = request_id(Headers(raw=[(b"x-request-id", given.encode())]))
    assert OWN.fullmatch(made)


@pytest.mark.parametrize(
    ("given", "taken"),
    [
        # The example of the recommendation (3.2.2.5), and a later version with more behind it (4.3).
        (f"00-{TRACE}-00f067aa0ba902b7-01", TRACE),
        (f"cc-{TRACE}-00f067aa0ba902b7-01-what-the-future-will-be-like", TRACE),
        (f"ff-{TRACE}-00f067aa0ba902b7-01", None),
        (f"00-{'0' * 32}-00f067aa0ba902b7-01", None),
        (f"00-{TRACE}-{'0' * 16}-01", None),
        (f"00-{TRACE.upper()}-00f067aa0ba902b7-01", None),
        (f"00-{TRACE}-00f067aa0ba902b7-01.", None),
        ("00", None),
    ],
)
def test_of_a_trace_its_id_is_taken(given: str, taken: str | None) -> None:
    made = request_id(Headers({"traceparent": given}))
    assert (made == taken) if taken else (OWN.fullmatch(made) and made != TRACE)


def test_an_own_id_goes_before_that_of_a_trace() -> None:
    given = Headers({"x-request-id": "mine", "traceparent": f"00-{TRACE}-00f067aa0ba902b7-01"})
    assert request_id(given) == "mine"


def traced() -> tuple[TestClient, list[Served]]:
    told: list[Served] = []
    app = FastAPI()
    app.add_middleware(Traced, served=told.append)
    explain_failures(app)

    @app.api_route("/well/{name}", methods=["GET", "POST"])
    def well(request: Request, name: str) -> str:
        request.state.by = "Ida"
        return REQUEST.get()

    @app.get("/away")
    def away() -> None:
        raise StoreError("away")

    @app.get("/defect")
    def defect() -> None:
        raise ZeroDivisionError

    return TestClient(app, raise_server_exceptions=False), told


@pytest.mark.parametrize(
    ("path", "answer"), [("/well/x", 200), ("/nowhere", 404), ("/away", 503), ("/defect", 500)]
)
def test_every_answer_gives_it_back_and_its_end_is_told_once(path: str, answer: int) -> None:
    client, told = traced()
    got = client.get(path, headers={"x-request-id": "call-7"})
    assert (got.status_code, got.headers["x-request-id"]) == (answer, "call-7")
    assert [(each.request, each.path, each.answer) for each in told] == [("call-7", path, answer)]
    assert told[0].seconds >= 0


def test_what_is_done_meanwhile_knows_it() -> None:
    client, told = traced()
    assert client.get("/well/x", headers={"x-request-id": "call-8"}).json() == "call-8"
    assert client.get("/well/x").json() == told[1].request != "call-8"


def test_a_change_says_in_whose_name_and_no_query_is_told() -> None:
    client, told = traced()
    client.post("/well/x?key=canary")
    client.get("/well/x")
    assert [(each.changes, each.by, each.who) for each in told] == [(True, "Ida", None), (False, "Ida", None)]
    assert "canary" not in repr(told)


def test_what_is_refused_before_any_call_bears_one_too(client: TestClient, floor: Floor) -> None:
    foreign = {"origin": "https://evil.example"}
    answers = [client.get("/api/v1/lines"), client.post("/api/v1/care", headers=foreign), client.get("/none")]
    ids = [answer.headers["x-request-id"] for answer in answers]
    assert [answer.status_code for answer in answers] == [200, 403, 404]
    assert len(set(ids)) == 3
