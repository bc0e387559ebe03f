"""The calls about phones: who may hear what on which phone, what is refused, what is never given out."""

from __future__ import annotations

import json
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from service.phones import LONGEST_ENDPOINT, MOST_OF_PERSON
from service.ports import StoreError
from tests.support.access import Entrance
from tests.support.floor import plant
from tests.support.phones import Handset, MemoryPhones, book_of
from tests.support.receivers import Answer, HttpReceiver

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

OWN = {"origin": "http://testserver", "sec-fetch-site": "same-origin"}
CALL = "/api/v1/phones"
NewClient = Callable[..., TestClient]
SAMPLE = Handset("https://push.example/send/sample")


@pytest.fixture
def phones() -> MemoryPhones:
    return MemoryPhones()


@pytest.fixture
def receiver() -> Iterator[HttpReceiver]:
    with HttpReceiver(then=Answer(status=201)) as one:
        yield one


@pytest.fixture
def client(phones: MemoryPhones, receiver: HttpReceiver) -> Iterator[TestClient]:
    """On the machine itself, where nobody needs to say who they are."""
    services = [f"http://127.0.0.1:{receiver.port}"]
    app, _ = plant(book=book_of(phones, "phones-l3", "phones-l4", services=services), public_url=None)
    with TestClient(app, headers=OWN) as one:
        yield one


@pytest.fixture
def entrance() -> Entrance:
    return Entrance()


@pytest.fixture
def signed_in(entrance: Entrance, phones: MemoryPhones) -> Iterator[NewClient]:
    app, _ = plant(door=entrance.door, book=book_of(phones), public_url=None)
    made: list[TestClient] = []

    def make(name: str, role: str = "act") -> TestClient:
        entrance.knows(name, role)
        client = TestClient(app, headers=OWN, follow_redirects=False, client=(f"10.0.0.{len(made)}", 5000))
        client.post("/sign-in", data={"name": name, "password": "correct horse 31"})
        made.append(client)
        return client

    yield make
    for client in made:
        client.close()


def asked(phone: Handset, outlet: str = "phones-l3", by: str = "Mira", **more: Any) -> dict[str, Any]:
    said = phone.subscription
    return {"by": by, "outlet": outlet, "endpoint": said["endpoint"], **said["keys"], **more}


def test_a_phone_hears_an_outlet_and_is_shown_without_its_endpoint(
    client: TestClient, phones: MemoryPhones
) -> None:
    answer = client.post(CALL, json=asked(SAMPLE, language="de"))
    assert answer.status_code == 200
    (row,) = phones.of("phones-l3")
    assert (row.endpoint, row.p256dh, row.auth) == (SAMPLE.endpoint, SAMPLE.public, SAMPLE.auth)
    assert (row.person, row.language) == ("Mira", "de")
    shown = client.get(CALL, params={"device": SAMPLE.device}).json()
    assert shown["outlets"] == [{"outlet": "phones-l3", "phones": 1}, {"outlet": "phones-l4", "phones": 0}]
    assert shown["phones"] == [answer.json()]
    assert answer.json()["device"] == SAMPLE.device
    assert len(shown["key"]) == 87  # RFC 8292, 3.2: base64url of an uncompressed point, 65 bytes
    for said in (answer.text, json.dumps(shown)):
        assert "push.example" not in said
        assert asked(SAMPLE)["auth"] not in said


def test_the_same_again_is_one_phone_and_an_endpoint_that_changed_takes_the_place(
    client: TestClient, phones: MemoryPhones
) -> None:
    client.post(CALL, json=asked(SAMPLE))
    client.post(CALL, json=asked(SAMPLE))
    other = Handset("https://push.example/send/other")
    assert client.post(CALL, json=asked(other, instead_of=SAMPLE.device)).status_code == 200
    assert [row.device for row in phones.of("phones-l3")] == [other.device]


@pytest.mark.parametrize(
    ("wrong", "why"),
    [
        ({"endpoint": "http://push.example/a"}, "endpoint is no https:// address"),
        ({"endpoint": "https://10.1.2.3/a"}, "endpoint names no public host"),
        ({"endpoint": "https://localhost/a"}, "endpoint names no public host"),
        ({"endpoint": "https://push.example:22/a"}, "endpoint names a port"),
        ({"endpoint": "https://push.example/" + "a" * LONGEST_ENDPOINT}, "at most 1500 characters"),
        ({"p256dh": "AAAA"}, "p256dh is an uncompressed point"),
        ({"p256dh": "no base64!"}, "p256dh: is not base64url"),
        ({"auth": "AAAA"}, "auth has 16 bytes"),
        ({"by": " "}, "by:"),
        ({"instead_of": "x"}, "instead_of"),
    ],
)
def test_what_no_browser_gives_is_refused_in_words(
    client: TestClient, phones: MemoryPhones, wrong: dict[str, str], why: str
) -> None:
    answer = client.post(CALL, json=asked(SAMPLE) | wrong)
    assert answer.status_code == 422
    assert why in answer.json()["detail"]
    assert phones.counts() == {}


def test_an_outlet_that_is_none_for_phones_is_not_found(client: TestClient) -> None:
    assert client.post(CALL, json=asked(SAMPLE, "chat")).status_code == 404


def test_one_person_has_so_many_phones_and_is_told(client: TestClient) -> None:
    for number in range(MOST_OF_PERSON):
        assert client.post(CALL, json=asked(Handset(f"https://push.example/{number}"))).status_code == 200
    answer = client.post(CALL, json=asked(SAMPLE))
    assert (answer.status_code, "end one of them first" in answer.text) == (409, True)


def test_a_phone_stops_hearing_one_outlet_or_all(client: TestClient, phones: MemoryPhones) -> None:
    for outlet in ("phones-l3", "phones-l4"):
        client.post(CALL, json=asked(SAMPLE, outlet))
    end = f"{CALL}/{SAMPLE.device}/end"
    assert client.post(end, json={"by": "Mira", "outlet": "phones-l3"}).json() == {"ended": 1}
    assert phones.counts() == {"phones-l4": 1}
    assert client.post(end, json={"by": "Mira"}).json() == {"ended": 1}
    assert client.post(end, json={"by": "Mira"}).status_code == 404


def test_a_test_arrives_at_this_phone_alone(client: TestClient, receiver: HttpReceiver) -> None:
    here, other = (Handset(f"http://127.0.0.1:{receiver.port}/{name}") for name in ("here", "other"))
    for one in (here, other):
        assert client.post(CALL, json=asked(one)).status_code == 200
    answer = client.post(f"{CALL}/{here.device}/test", json={"by": "Mira", "outlet": "phones-l3"}).json()
    assert (answer["delivered"], answer["reason"]) == (True, None)
    (got,) = receiver.wait_for(1)
    assert got.path == "/here"
    said = here.read(got)
    assert "nothing to do" in said["body"]
    assert (said["actions"], said["silent"], "url" in said) == ([], False, False)


def test_a_test_that_fails_says_why_and_a_phone_that_ended_is_forgotten(
    client: TestClient, receiver: HttpReceiver, phones: MemoryPhones
) -> None:
    here = Handset(f"http://127.0.0.1:{receiver.port}/here")
    client.post(CALL, json=asked(here))
    receiver.answer(Answer(status=403), Answer(status=410))
    call = f"{CALL}/{here.device}/test"
    ask = {"by": "Mira", "outlet": "phones-l3"}
    assert client.post(call, json=ask).json()["reason"] == "answered 403 Forbidden"
    assert client.post(call, json=ask).json()["reason"] == "its subscription has ended"
    assert phones.of("phones-l3") == []
    assert client.post(call, json=ask).status_code == 404


# --- where people must say who they are


def test_a_phone_is_in_the_name_of_whoever_signed_in_whatever_it_says(
    signed_in: NewClient, phones: MemoryPhones
) -> None:
    signed_in("Mira").post(CALL, json=asked(SAMPLE, by="Somebody else"))
    assert [row.person for row in phones.of("phones-l3")] == ["Mira"]


def test_whoever_may_only_look_hears_nothing(signed_in: NewClient, phones: MemoryPhones) -> None:
    tomas = signed_in("Tomas", "read")
    assert tomas.get(CALL).status_code == 200
    assert tomas.post(CALL, json=asked(SAMPLE)).status_code == 403
    assert phones.counts() == {}


def test_ones_own_phones_are_shown_everywhere_and_those_of_others_are_not(signed_in: NewClient) -> None:
    mira, bert = signed_in("Mira"), signed_in("Bert")
    mira.post(CALL, json=asked(SAMPLE))
    assert [row["device"] for row in mira.get(CALL).json()["phones"]] == [SAMPLE.device]
    assert bert.get(CALL).json()["phones"] == []


def test_nobody_ends_or_tries_the_phone_of_another_but_an_administrator(
    signed_in: NewClient, phones: MemoryPhones
) -> None:
    signed_in("Mira").post(CALL, json=asked(SAMPLE))
    bert, ada = signed_in("Bert"), signed_in("Ada", "admin")
    for call in ("end", "test"):
        ask = {"by": "Mira", "outlet": "phones-l3"}
        assert bert.post(f"{CALL}/{SAMPLE.device}/{call}", json=ask).status_code == 404
    assert phones.counts() == {"phones-l3": 1}
    assert ada.post(f"{CALL}/{SAMPLE.device}/end", json={"by": "Ada"}).json() == {"ended": 1}


def test_a_link_in_a_message_subscribes_no_phone(
    signed_in: NewClient, entrance: Entrance, phones: MemoryPhones
) -> None:
    client = signed_in("Mira")
    client.post("/sign-out")
    key = entrance.door.link_key("n-L3-P2-T2", "phones-l3")
    headers = {"authorization": f"Bearer {key}"}
    assert client.post(CALL, json=asked(SAMPLE), headers=headers).status_code == 403
    assert client.get(CALL, headers=headers).status_code == 403
    assert phones.counts() == {}


def test_another_site_subscribes_no_phone(client: TestClient, phones: MemoryPhones) -> None:
    headers = {"origin": "https://evil.example", "sec-fetch-site": "cross-site"}
    assert client.post(CALL, json=asked(SAMPLE), headers=headers).status_code == 403
    assert phones.counts() == {}


def test_a_store_that_is_away_is_said(client: TestClient, phones: MemoryPhones) -> None:
    phones.broken = StoreError("away")
    assert client.get(CALL).status_code == 503
    assert client.post(CALL, json=asked(SAMPLE)).status_code == 503


# --- the page as an app


def test_the_manifest_has_what_an_installable_page_needs(client: TestClient) -> None:
    """Web Application Manifest (W3C): a name, a start within the scope, icons of 192 and 512 (from memory:
    what browsers ask for before they offer to install)."""
    answer = client.get("/manifest.webmanifest")
    assert answer.headers["content-type"] == "application/manifest+json"
    manifest = answer.json()
    assert manifest["name"] == "Earlybell · Ferrow plant"
    assert (manifest["start_url"], manifest["scope"], manifest["display"]) == ("/", "/", "standalone")
    assert {"192x192", "512x512"} <= {icon["sizes"] for icon in manifest["icons"]}
    assert "maskable" in {icon.get("purpose") for icon in manifest["icons"]}
    for icon in manifest["icons"]:
        got = client.get(icon["src"])
        assert (got.status_code, got.headers["content-type"]) == (200, icon["type"])
        if icon["type"] == "image/png":  # ISO 15948: width and height stand in bytes 16 to 24
            size = int.from_bytes(got.content[16:20]), int.from_bytes(got.content[20:24])
            assert f"{size[0]}x{size[1]}" == icon["sizes"]


def test_the_worker_serves_all_pages_and_keeps_only_what_is_there(client: TestClient) -> None:
    answer = client.get("/sw.js")
    assert answer.headers["content-type"].startswith("text/javascript")
    assert answer.headers["cache-control"] == "no-cache"
    first, second = answer.text.splitlines()[:2]
    shell = json.loads(first.removeprefix("const SHELL = ").removesuffix(";"))
    assert second.startswith("const VERSION = ")
    assert "/offline" in shell
    assert "/static/offline.js" in shell
    assert [path for path in shell if client.get(path).status_code != 200] == []


def test_manifest_worker_and_the_page_without_a_connection_are_open_and_name_nobody(
    signed_in: NewClient,
) -> None:
    client = signed_in("Mira")
    assert "Mira" in client.get("/phone").text
    assert "Mira" not in client.get("/offline").text
    client.post("/sign-out")
    for path in ("/manifest.webmanifest", "/sw.js", "/offline"):
        assert client.get(path).status_code == 200
    assert client.get("/phone", headers={"accept": "text/html"}).status_code == 303


def test_the_worker_is_no_module_so_that_every_browser_runs_it() -> None:
    text = Path("service/web/static/sw.js").read_text(encoding="utf-8")
    assert "import " not in text
    assert "export " not in text
