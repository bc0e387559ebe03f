"""Who is signed in, as an administrator sees and ends it."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from typing import Any

import pytest

from tests.support.access import PASSWORD, Entrance
from tests.support.floor import plant

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

OWN = {"origin": "http://testserver", "sec-fetch-site": "same-origin"}


@pytest.fixture
def entrance() -> Entrance:
    return Entrance()


@pytest.fixture
def app(entrance: Entrance) -> Any:
    return plant(door=entrance.door, public_url=None)[0]


def browser(app: Any, name: str, address: str) -> TestClient:
    client = TestClient(app, client=(address, 5000), follow_redirects=False)
    form = {"name": name, "password": PASSWORD}
    assert client.post("/sign-in", data=form, headers=OWN).status_code == 303
    return client


@pytest.fixture
def boss(app: Any, entrance: Entrance) -> Iterator[TestClient]:
    entrance.knows("Ida", "admin")
    client = browser(app, "Ida", "10.0.0.1")
    yield client
    client.close()


@pytest.fixture
def mira(app: Any, entrance: Entrance) -> Iterator[TestClient]:
    entrance.knows("Mira", "act")
    client = browser(app, "Mira", "10.0.0.2")
    yield client
    client.close()


def test_an_administrator_sees_who_is_signed_in_since_when_and_from_where(
    boss: TestClient, mira: TestClient
) -> None:
    shown = boss.get("/api/v1/sessions").json()
    assert [(each["account"], each["role"], each["address"], each["this"]) for each in shown] == (
        [("Ida", "admin", "10.0.0.1", True), ("Mira", "act", "10.0.0.2", False)]
        if shown[0]["this"]
        else [("Mira", "act", "10.0.0.2", False), ("Ida", "admin", "10.0.0.1", True)]
    )
    assert {each["since"] for each in shown} == {each["last_seen"] for each in shown}
    secrets = {*boss.cookies.values(), *mira.cookies.values()}
    assert not any(secret in str(shown) for secret in secrets)


def test_an_administrator_ends_one_and_the_audit_says_who_did(
    boss: TestClient, mira: TestClient, entrance: Entrance
) -> None:
    (theirs,) = (each for each in boss.get("/api/v1/sessions").json() if not each["this"])
    path = f"/api/v1/sessions/{theirs['id']}/end"
    assert boss.post(path, headers=OWN).json() == {"ended": theirs["id"], "account": "Mira"}
    assert mira.get("/api/v1/lines").status_code == 401
    assert boss.get("/api/v1/lines").status_code == 200
    assert ("Ida", f"POST {path}", None, 200) in entrance.did()
    assert boss.post(path, headers=OWN).status_code == 404
    assert boss.post("/api/v1/sessions/nothing/end", headers=OWN).status_code == 422


def test_an_administrator_sees_which_accounts_and_tokens_there_are_and_no_hash(
    boss: TestClient, entrance: Entrance
) -> None:
    secret = entrance.token("gate", "read", days=1)
    shown = boss.get("/api/v1/access")
    assert shown.json()["accounts"] == [{"name": "Ida", "role": "admin", "ended": None}]
    (token,) = shown.json()["tokens"]
    assert (token["name"], token["role"], token["last_used"]) == ("gate", "read", None)
    assert token["expires"] is not None
    hashes = [each.digest.hex() for each in entrance.keyring.tokens()]
    assert not any(each in shown.text for each in (secret, *hashes, "argon2"))


def test_nobody_else_sees_or_ends_any(boss: TestClient, mira: TestClient) -> None:
    (own,) = (each for each in boss.get("/api/v1/sessions").json() if each["this"])
    for path in ("/api/v1/sessions", "/api/v1/access", "/sessions"):
        assert mira.get(path).status_code == 403
        assert boss.get(path).status_code == 200
    assert mira.post(f"/api/v1/sessions/{own['id']}/end", headers=OWN).status_code == 403
    assert boss.get("/api/v1/sessions").status_code == 200
