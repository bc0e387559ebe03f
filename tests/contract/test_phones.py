"""The port ``Phones``: who hears what, and one signing key, on both databases and in memory."""

from __future__ import annotations

import threading
from dataclasses import replace

import pytest

from service.phones import MOST_OF_OUTLET, MOST_OF_PERSON, Full, Phone, Phones
from service.store import Store
from tests.support.phones import MemoryPhones

MIRAS = Phone(
    device="d1",
    outlet="phones-l3",
    person="Mira",
    endpoint="https://push.example/a",
    p256dh=b"\x04" + b"p" * 64,
    auth=b"a" * 16,
    created_at=7,
    language="de",
)


@pytest.fixture(params=["memory", "sqlite", "postgresql"])
def phones(request: pytest.FixtureRequest) -> Phones:
    if request.param == "memory":
        return MemoryPhones()
    store: Store = request.getfixturevalue("store")
    return store.phones


@pytest.fixture
def backend(request: pytest.FixtureRequest) -> str:
    return str(request.node.callspec.params["phones"])


def test_a_phone_reads_as_it_was_written(phones: Phones) -> None:
    phones.add(MIRAS)
    phones.add(replace(MIRAS, outlet="phones-l4", language=None))
    assert phones.of("phones-l3") == [MIRAS]
    assert phones.device("d1") == [MIRAS, replace(MIRAS, outlet="phones-l4", language=None)]
    assert phones.of_person("Mira") == phones.device("d1")
    assert phones.counts() == {"phones-l3": 1, "phones-l4": 1}


def test_what_nobody_hears_is_empty_everywhere(phones: Phones) -> None:
    assert [*phones.of("phones-l3"), *phones.device("d1"), *phones.of_person("Mira")] == []
    assert phones.counts() == {}
    assert phones.end("d1") == 0


def test_the_same_phone_is_kept_once_with_what_it_said_last(phones: Phones) -> None:
    phones.add(MIRAS)
    phones.add(replace(MIRAS, person="Bert", auth=b"b" * 16, created_at=9))
    assert phones.of("phones-l3") == [replace(MIRAS, person="Bert", auth=b"b" * 16, created_at=9)]


def test_a_device_ends_for_one_outlet_or_for_all(phones: Phones) -> None:
    for outlet in ("phones-l3", "phones-l4", "phones-l5"):
        phones.add(replace(MIRAS, outlet=outlet))
    phones.add(replace(MIRAS, device="d2"))
    assert phones.end("d1", "phones-l3") == 1
    assert [row.outlet for row in phones.device("d1")] == ["phones-l4", "phones-l5"]
    assert phones.end("d1") == 2
    assert [row.device for row in phones.of("phones-l3")] == ["d2"]


@pytest.mark.parametrize("name", ["O'Neill", "Žár \ud800", "a\0b", "Robert'); DROP TABLE phone;--"])
def test_any_name_comes_back_as_it_was(phones: Phones, name: str) -> None:
    phones.add(replace(MIRAS, person=name))
    assert [row.person for row in phones.of_person(name)] == [name]


def test_a_person_and_an_outlet_have_so_many_phones_at_most(phones: Phones) -> None:
    for number in range(MOST_OF_PERSON):
        phones.add(replace(MIRAS, device=f"d{number}"))
    with pytest.raises(Full, match="Mira hears phones-l3 on 10 phones"):
        phones.add(replace(MIRAS, device="one more"))
    phones.add(replace(MIRAS, device="d0"))  # the same again
    phones.add(replace(MIRAS, device="one more", outlet="phones-l4"))
    for number in range(MOST_OF_PERSON, MOST_OF_OUTLET):
        phones.add(replace(MIRAS, device=f"d{number}", person=f"p{number}"))
    with pytest.raises(Full, match="200 phones hear phones-l3"):
        phones.add(replace(MIRAS, device="of Bert", person="Bert"))
    assert phones.counts()["phones-l3"] == MOST_OF_OUTLET


def test_the_signing_key_is_made_once_whoever_asks(phones: Phones) -> None:
    got: list[bytes] = []
    start = threading.Barrier(4)

    def ask(number: int) -> None:
        start.wait()
        got.append(phones.signing_key(lambda: bytes([number]) * 32))

    threads = [threading.Thread(target=ask, args=[number]) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert len(got) == 4
    assert set(got) == {phones.signing_key(lambda: b"later")}
