"""A link in a message: it opens one notice to whoever holds it, and nothing acts but a person's press."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from typing import Any

import pytest

from service.access import end_links
from service.access.allowances import WRONG_KEY
from service.domain.access import LINK_LASTS
from service.domain.model import SECOND
from tests.support.access import Entrance
from tests.support.floor import Floor, plant

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

ID = "n-L3-P2-T2"
OTHER = "n-L3-P1-F07"
PAGE = f"/notice/{ID}"
PREVIEWS = [
    {"user-agent": "Slackbot-LinkExpanding 1.0", "accept": "*/*"},
    {"user-agent": "Mozilla/5.0 (compatible; Outlook SafeLinks)", "accept": "text/html"},
    {"sec-purpose": "prefetch;prerender", "purpose": "prefetch", "accept": "text/html"},
    {"x-moz": "prefetch", "accept": "text/html"},
    {"user-agent": "facebookexternalhit/1.1", "range": "bytes=0-524287"},
]


def act(verb: str, notice: str = ID) -> str:
    return f"/api/v1/notices/{notice}/{verb}"


@pytest.fixture
def entrance() -> Entrance:
    entrance = Entrance()
    entrance.knows("Mira", "act")
    return entrance


@pytest.fixture
def site(entrance: Entrance) -> tuple[Any, Floor]:
    return plant(door=entrance.door, public_url=None)


@pytest.fixture
def floor(site: tuple[Any, Floor]) -> Floor:
    return site[1]


@pytest.fixture
def holder(site: tuple[Any, Floor]) -> Callable[..., TestClient]:
    """``holder(key)``: whoever holds the key of a link."""

    def make(key: str | None = None, address: str = "10.0.0.9") -> TestClient:
        headers = {} if key is None else {"authorization": f"Bearer {key}"}
        return TestClient(
            site[0],
            headers=headers,
            client=(address, 1),
            follow_redirects=False,
            raise_server_exceptions=False,
        )

    return make


@pytest.fixture
def key(entrance: Entrance) -> str:
    key = entrance.door.link_key(ID, "line-2")
    assert key
    return key


def untouched(floor: Floor) -> bool:
    return all(notice.version == 1 and notice.state == "open" for notice in floor.notes.values())


@pytest.mark.parametrize("headers", PREVIEWS)
@pytest.mark.parametrize("method", ["GET", "HEAD", "OPTIONS"])
def test_previews_prefetches_and_heads_change_nothing_and_learn_nothing(
    entrance: Entrance, floor: Floor, holder: Any, method: str, headers: dict[str, str]
) -> None:
    before = entrance.did()
    for path in (PAGE, act("take"), act("close"), act("quiet"), f"/api/v1/notices/{ID}"):
        answer = holder().request(method, path, headers=headers)
        assert answer.status_code in {200, 401, 405}
        assert "RF-SHIELD" not in answer.text
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert answer.headers["cache-control"] == "no-store"
    assert untouched(floor)
    assert entrance.did() == before


def test_even_with_the_key_looking_changes_nothing(floor: Floor, holder: Any, key: str) -> None:
    for method in ("GET", "HEAD", "OPTIONS", "PUT", "DELETE", "PATCH"):
        for verb in ("take", "quiet", "close"):
            assert holder(key).request(method, act(verb)).status_code in {403, 405}
    assert holder(key).get(f"/api/v1/notices/{ID}").json()["id"] == ID
    assert untouched(floor)


def test_the_page_is_the_same_whether_there_is_such_a_notice_or_not(holder: Any) -> None:
    pages = [
        holder().get(f"/notice/{name}", headers={"accept": "text/html"}) for name in (ID, "n-none-at-all")
    ]
    assert [page.status_code for page in pages] == [200, 200]
    assert pages[0].text.replace(ID, "") == pages[1].text.replace("n-none-at-all", "")


def test_a_key_does_what_people_do_with_its_notice_and_names_the_link(
    entrance: Entrance, holder: Any, key: str
) -> None:
    client = holder(key)
    taken = client.post(act("take"), json={"by": "Tomas"}).json()
    assert taken["taken_by"] == "Tomas (link to line-2)"
    assert client.post(act("take"), json={"by": "Tomas"}).status_code == 200
    assert client.post(act("quiet"), json={"by": "Tomas", "panels": 5}).status_code == 200
    assert client.post(act("close"), json={"by": "Tomas", "reason": "done"}).status_code == 200
    assert client.post(act("take"), json={"by": "Tomas"}).status_code == 409
    assert entrance.did()[0] == ("link to line-2", f"POST {act('take')}", "Tomas (link to line-2)", 200)


def test_nobody_can_pass_for_somebody_who_signed_in(holder: Any, key: str) -> None:
    assert holder(key).post(act("take"), json={"by": "Mira"}).json()["taken_by"] != "Mira"
    assert holder(key).post(act("take"), json={}).json()["taken_by"] == "Mira (link to line-2)"


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("POST", act("take", OTHER)), ("GET", f"/api/v1/notices/{OTHER}"), ("GET", "/api/v1/notices"),
        ("GET", "/api/v1/lines"), ("GET", "/api/v1/stream"), ("GET", "/api/v1/audit"), ("GET", "/"),
        ("POST", "/api/v1/lines/L3/stations/P2/slots/T2/supply"), ("GET", "/metrics"),
        ("POST", f"/api/v1/notices/{ID}/../{OTHER}/take"), ("POST", act("take") + "/"),
        ("POST", f"/api/v1/notices/{ID}%2f..%2f{OTHER}/take"), ("POST", "/api/v1/deliveries/1/again"),
    ],
)  # fmt: skip
def test_a_key_opens_nothing_else(floor: Floor, holder: Any, key: str, method: str, path: str) -> None:
    answer = holder(key).request(
        method, path, json={"by": "x", "change": "loaded"} if method == "POST" else None
    )
    assert answer.status_code == 403
    assert untouched(floor)


def test_wrong_expired_ended_and_foreign_keys_get_the_same_answer(
    entrance: Entrance, floor: Floor, holder: Any, key: str
) -> None:
    ended = entrance.door.link_key(ID, "line-3")
    assert end_links(entrance.keyring, OTHER, now=entrance.now) == 0
    guessed = key[:-1] + ("A" if key[-1] != "A" else "B")
    assert end_links(entrance.keyring, ID, now=entrance.now) == 2
    fresh = entrance.door.link_key(ID, "line-2")
    assert fresh not in {key, ended}
    entrance.wait(LINK_LASTS / SECOND)
    keys = (key, ended, fresh, guessed, key.replace("el_", "eb_"), key.removeprefix("el_"), "el_")
    answers = [holder(each).post(act("take"), json={"by": "x"}) for each in keys]
    assert {(answer.status_code, answer.text) for answer in answers} == {(401, answers[0].text)}
    assert untouched(floor)


def test_guessing_keys_ends_soon(holder: Any) -> None:
    codes = [
        holder(f"el_{n:043d}").post(act("take"), json={"by": "x"}).status_code
        for n in range(WRONG_KEY.burst + 2)
    ]
    assert codes == [401] * WRONG_KEY.burst + [429] * 2
    assert holder("el_" + "A" * 43, address="10.0.0.10").get(f"/api/v1/notices/{ID}").status_code == 401


def test_a_key_in_the_address_opens_nothing(holder: Any, key: str, floor: Floor) -> None:
    for name in ("key", "token", "access_token"):
        assert holder().post(act("take"), params={name: key}, json={"by": "x"}).status_code == 401
    assert untouched(floor)


def test_a_form_of_another_site_cannot_press_even_with_the_key(holder: Any, key: str, floor: Floor) -> None:
    for headers in ({"origin": "https://evil.example"}, {"origin": "null"}, {"sec-fetch-site": "cross-site"}):
        assert holder(key).post(act("take"), json={"by": "x"}, headers=headers).status_code == 403
    assert untouched(floor)


def test_messages_about_one_notice_carry_the_same_key_while_it_holds(entrance: Entrance, key: str) -> None:
    assert entrance.door.link_key(ID, "line-2") == key
    assert entrance.door.link_key(ID, "line-3") != key
    assert entrance.door.link_key(OTHER, "line-2") != key
    entrance.wait(LINK_LASTS / SECOND / 2)
    assert entrance.door.link_key(ID, "line-2") != key


def test_where_everybody_may_act_links_carry_no_key() -> None:
    assert Entrance(open_here=True).door.link_key(ID, "line-2") is None


def test_only_the_hash_of_a_key_is_kept(entrance: Entrance, key: str) -> None:
    assert key not in repr(entrance.keyring)
    assert key.removeprefix("el_") not in repr(entrance.keyring)
