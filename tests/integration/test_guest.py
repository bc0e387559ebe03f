"""Listening to a broker from a page, and a draft on trial: as a guest, and at brokers of ours alone."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator

import pytest

from service.desk import Unfit
from service.guest import Guest
from service.overhearing import Busy, NotOurs
from service.settings import Mqtt, Settings
from service.settings.drafts import sources_in
from service.settings.gateway import NativeSource
from tests.support.factory import Gateway
from tests.support.mosquitto import Mosquitto
from tests.support.wait import eventually

DRAFT = """
[[source]]
name = "east"
format = "native"
root = "east"
"""


@pytest.fixture
def settings(broker: Mosquitto) -> Settings:
    return Settings(mqtt=Mqtt(url=f"mqtt://{broker.host}:{broker.port}"))


@pytest.fixture
def guest(settings: Settings) -> Iterator[Guest]:
    guest = Guest(settings, counted=dict, clock=lambda: time.time_ns() // 1000)
    yield guest
    guest.stop()


@pytest.fixture
def gateway(broker: Mosquitto) -> Iterator[Gateway]:
    gateway = Gateway(broker.port)
    yield gateway
    gateway.close()


def count(gateway: Gateway, panels: int) -> None:
    slots = {"F07": {"placed": 18 * panels, "lost": 0}}
    body = {"session": "a", "seq": panels, "panels": panels, "slots": slots}
    gateway.send_raw("east/L3/P1/count", json.dumps(body).encode())


def test_what_is_heard_becomes_a_draft_and_the_draft_counts_once_it_is_tried(guest, gateway, settings):
    guest.listen(at="mqtt", topics=["#"], seconds=60)
    panels = 0

    def heard_enough() -> bool:
        nonlocal panels
        panels += 1
        count(gateway, panels)
        return bool(guest.overheard()["messages"] >= 5)

    eventually(heard_enough)
    with pytest.raises(Busy):
        guest.listen(at="mqtt", topics=["#"], seconds=1)
    guest.stop_listening()
    eventually(lambda: guest.overheard()["state"] == "done")
    overheard = guest.overheard()
    assert overheard["found"]["dialects"]["native"]
    (source,) = sources_in(overheard["draft"], settings)
    assert isinstance(source, NativeSource)
    assert source.root == "east"

    guest.try_out(overheard["draft"])
    with pytest.raises(Busy):
        guest.try_out(overheard["draft"])
    eventually(lambda: guest.tried()["trials"][0]["connected"])
    before = panels
    for _ in range(4):
        panels += 1
        count(gateway, panels)
    expected = {"placed": 18 * (panels - before - 1), "lost": 0}
    eventually(lambda: [each["trial"] for each in guest.tried()["trials"][0]["slots"]] == [expected])
    guest.stop_trying()
    assert guest.tried()["state"] == "done"


def test_a_draft_that_does_not_fit_says_what_and_where(guest):
    with pytest.raises(Unfit, match=r"source\[0\]\.root: there is no key|source\[0\]\.rot: there is no key"):
        guest.try_out(DRAFT.replace("root", "rot"))
    with pytest.raises(Unfit, match="not TOML"):
        guest.try_out("[[source")
    with pytest.raises(Unfit, match=r"no \[\[source\]\]"):
        guest.try_out("# nothing yet")


def test_a_page_can_not_choose_whom_we_call(guest):
    with pytest.raises(NotOurs, match=r"elsewhere\.example is no broker of the configuration"):
        guest.try_out(DRAFT + 'url = "mqtt://elsewhere.example"')
    with pytest.raises(KeyError):
        guest.listen(at="elsewhere", topics=["#"], seconds=1)


def test_a_broker_that_does_not_take_us_is_said(settings, broker):
    broker.stop()
    guest = Guest(settings, counted=dict, clock=lambda: time.time_ns() // 1000)
    guest.listen(at="mqtt", topics=["#"], seconds=1)

    eventually(lambda: guest.overheard()["state"] == "failed", timeout=15)
    assert "refused" in guest.overheard()["trouble"]


def test_a_listening_that_goes_wrong_for_whatever_reason_is_over(settings):
    moments = iter([1_772_432_047_000_000])
    guest = Guest(settings, counted=dict, clock=lambda: next(moments))
    guest.listen(at="mqtt", topics=["#"], seconds=1)

    eventually(lambda: guest.overheard()["state"] == "failed")
    assert guest.overheard()["trouble"] == "the listening failed: StopIteration"
