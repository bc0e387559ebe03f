"""The call that reads a label: what it says, what is wrong with it, who may ask."""

from __future__ import annotations

import warnings
from typing import Any

import pytest

from service.domain.labels import LabelPattern
from tests.support.access import Entrance
from tests.support.floor import plant

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

READ = "/api/v1/labels/read"
LABEL = "[)>\x1e06\x1d1PRC0402-10K\x1dQ5000\x1d1TA77\x1d9D2548\x1d13E2a\x1dSR000017\x1e\x04"
OURS = LabelPattern(name="ours", alias={"RC0402-10K": "R-10K-0402"})


def test_what_a_label_says_is_answered_with_the_plants_part() -> None:
    app, _ = plant(labels=(OURS,))
    with TestClient(app) as client:
        answer = client.post(READ, json={"text": LABEL})
    assert answer.status_code == 200
    assert answer.json() == {
        "part": "R-10K-0402",
        "names": ["R-10K-0402", "RC0402-10K"],
        "quantity": 5000,
        "lot": "A77",
        "supply": "R000017",
        "moisture_level": "2a",
        "rest": [["9D", "2548"]],
        "format": "15434/06",
        "tolerated": [],
    }


def test_what_may_be_meant_settles_what_is_ambiguous(client: Any) -> None:
    plain = client.post(READ, json={"text": "PIC-16"}).json()
    meant = client.post(READ, json={"text": "PIC-16", "expects": ["IC-16"]}).json()
    assert (plain["part"], plain["format"]) == ("PIC-16", "plain")
    assert (meant["part"], meant["format"]) == ("IC-16", "field")


def test_what_cannot_be_read_is_said_in_the_readers_language(client: Any) -> None:
    broken = {"text": "[)>061PRC0402-10KQ5000"}
    english = client.post(READ, json=broken, headers={"accept-language": "en"})
    german = client.post(READ, json=broken, headers={"accept-language": "de"})
    assert (english.status_code, german.status_code) == (422, 422)
    assert english.json()["detail"].startswith("the separators between the fields are missing")
    assert german.json()["detail"].startswith("die Trennzeichen zwischen den Feldern fehlen")


@pytest.mark.parametrize("body", [b"", b"[]", b"{}", b'{"text": 7}', b'{"text": "\\ud800"}'])
def test_a_body_that_does_not_fit_is_refused(client: Any, body: bytes) -> None:
    assert client.post(READ, content=body).status_code == 422


def test_who_may_look_may_ask_and_nothing_is_noted() -> None:
    entrance = Entrance()
    app, _ = plant(door=entrance.door, public_url=None)
    may_look = {"authorization": f"Bearer {entrance.token('screen', 'read')}"}
    admin = {"authorization": f"Bearer {entrance.token('office', 'admin')}"}
    with TestClient(app) as client:
        assert client.post(READ, json={"text": LABEL}).status_code == 401
        assert client.post(READ, json={"text": LABEL}, headers=may_look).status_code == 200
        deeds = client.get("/api/v1/audit", headers=admin).json()
    assert [deed for deed in deeds if READ in deed["did"]] == []
