"""What every answer carries, and whose orders are refused."""

from __future__ import annotations

from typing import Any

import pytest

from service.ports import StoreError
from tests.support.floor import Floor

TAKE = "/api/v1/notices/n-L3-P2-T2/take"


@pytest.mark.parametrize(
    "path",
    ["/", "/notice/n-L3-P2-T2", "/nowhere", "/static/main.js", "/static/none.js", "/healthz", "/metrics",
     "/openapi.json", "/api/v1/lines", "/api/v1/lines/%20/slots", "/api/v1/none"],
)  # fmt: skip
def test_every_answer_carries_the_security_headers(client: Any, path: str) -> None:
    headers = client.get(path).headers
    policy = headers["content-security-policy"]
    for rule in ("default-src 'self'", "frame-ancestors 'none'", "base-uri 'none'", "form-action 'self'"):
        assert rule in policy
    assert "unsafe" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["permissions-policy"].startswith("camera=(self), ")


def test_failures_carry_them_too(client: Any, floor: Floor) -> None:
    floor.broken = StoreError("down")
    answers = [
        client.get("/api/v1/lines"),
        client.post(TAKE, json={}),
        client.post(TAKE, content=b"x" * 70_000),
        client.post(TAKE, json={"by": "A"}, headers={"origin": "https://evil.example"}),
        client.delete("/api/v1/lines"),
    ]
    assert [answer.status_code for answer in answers] == [503, 422, 413, 403, 405]
    for answer in answers:
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["cache-control"] == "no-store"
        assert answer.json()["detail"]


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "https://evil.example"},
        {"origin": "null"},
        {"origin": "http://testserver:8081"},
        {"origin": "http://testserver.evil.example"},
        {"origin": "http://["},
        {"sec-fetch-site": "cross-site"},
        {"origin": "http://testserver", "sec-fetch-site": "cross-site"},
    ],
)
def test_a_page_of_another_site_cannot_press_our_buttons(
    client: Any, floor: Floor, headers: dict[str, str]
) -> None:
    answer = client.post(TAKE, json={"by": "Mallory"}, headers=headers)
    assert answer.status_code == 403
    assert floor.notes["n-L3-P2-T2"].state == "open"


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"origin": "http://testserver"},
        {"origin": "http://testserver:80"},
        {"origin": "https://bell.ferrow.example"},
        {"origin": "http://testserver", "sec-fetch-site": "same-origin"},
    ],
)
def test_our_own_page_and_plain_tools_can(client: Any, headers: dict[str, str]) -> None:
    assert client.post(TAKE, json={"by": "Mira"}, headers=headers).status_code == 200


def test_looking_from_elsewhere_is_allowed(client: Any) -> None:
    assert client.get("/", headers={"sec-fetch-site": "cross-site"}).status_code == 200
