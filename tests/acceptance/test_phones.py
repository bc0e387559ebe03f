"""From the counts of a line to a phone in a pocket and back: the running program, a push service, the worker
in a real browser. The test makes the subscription, and is its push service: a headless browser has none.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.acceptance.test_access import bearer, command
from tests.support.chromium import chromium
from tests.support.factory import Factory
from tests.support.phones import Handset
from tests.support.receivers import Answer, HttpReceiver
from tests.support.worker import Phone

StartFactory = Callable[..., Factory]


@pytest.fixture
def service() -> Iterator[HttpReceiver]:
    """A push service."""
    with HttpReceiver(then=Answer(status=201)) as one:
        yield one


@pytest.fixture
def factory(start_factory: StartFactory, service: HttpReceiver) -> Factory:
    phones = f'[[outlet]]\nname = "phones-l3"\ntype = "push"\nservices = "http://127.0.0.1:{service.port}"\n'
    return start_factory(extra=phones)


@pytest.fixture
def browser(factory: Factory) -> Iterator[Browser]:
    # After the factory: Playwright keeps an event loop in this thread, where the mail receiver wants its own.
    with chromium() as browser:
        yield browser


def sign_in_as_a_tool(factory: Factory) -> None:
    """From now on everybody must say who they are."""
    made = command(factory.program, "token", "gate", "--role", "act", "--for-others")
    factory.api.headers.update(bearer(made.stdout.strip()))


def empty_a_tray(factory: Factory) -> None:
    factory.gateway.send("L3/P1/recipe", recipe="r", usage={"T2": 1})
    for seq, panels in ((1, 0), (2, 55)):
        if seq == 2:
            factory.gateway.send(
                "L3/P1/supply", id="1", slot="T2", change="loaded", kind="tray", part="MCU-48Q", quantity=60
            )
        factory.gateway.send(
            "L3/P1/count", session="a", seq=seq, panels=panels, slots={"T2": {"placed": panels, "lost": 0}}
        )


def test_a_warning_reaches_a_pocket_and_a_press_there_takes_it(
    factory: Factory, browser: Browser, service: HttpReceiver
) -> None:
    sign_in_as_a_tool(factory)
    miras, berts = (Handset(f"http://127.0.0.1:{service.port}/send/{name}") for name in ("mira", "bert"))
    for person, handset in (("Mira", miras), ("Bert", berts)):
        said = handset.subscription
        asked = {"by": person, "outlet": "phones-l3", "endpoint": said["endpoint"], **said["keys"]}
        factory.api.post("/phones", json=asked).raise_for_status()
    assert factory.get("/phones")["outlets"] == [{"outlet": "phones-l3", "phones": 2}]
    empty_a_tray(factory)

    got = {each.path: each for each in service.wait_for(2)}
    told = miras.read(got["/send/mira"])
    assert "MCU-48Q" in told["body"]
    assert got["/send/mira"].headers["urgency"] == "high"

    with browser.new_context() as one, browser.new_context() as other:
        mira, bert = Phone(one, factory.url), Phone(other, factory.url)
        for phone, handset, path in ((mira, miras, "/send/mira"), (bert, berts, "/send/bert")):
            phone.pocket()
            phone.hears(handset.read(got[path]))
        mira.press("take", tag=told["tag"])
        (notice,) = factory.get("/notices")
        assert (notice["state"], notice["taken_by"]) == ("taken", "Mira (link to phones-l3)")
        assert mira.shows()[0]["body"] == "You are on it."

        bert.press("take", tag=told["tag"])
        assert bert.shows()[0]["body"] == "Mira (link to phones-l3) was first."

        # What came of it reaches the other phone too, without a sound.
        later = [each for each in service.wait_for(4) if each.path == "/send/bert"]
        bert.hears(berts.read(later[-1]))
        (shown,) = bert.until_shown(lambda all_: "taken by Mira" in all_[0]["body"])
        assert shown["silent"]
        assert later[-1].headers["urgency"] == "low"


@pytest.mark.parametrize("by", ["command", "import"])
def test_the_phones_of_an_account_that_is_ended_hear_nothing_more(
    by: str, factory: Factory, tmp_path: Path
) -> None:
    command(factory.program, "account", "Mira", "--role", "act", said="correct horse 31\n")
    sign_in_as_a_tool(factory)
    for person in ("Mira", "Bert"):
        said = Handset(f"https://push.example/{person}").subscription
        asked = {"by": person, "outlet": "phones-l3", "endpoint": said["endpoint"], **said["keys"]}
        factory.api.post("/phones", json=asked).raise_for_status()
    if by == "command":
        ended = command(factory.program, "account", "mira", "--end")
    else:
        file = tmp_path / "elsewhere"
        command(factory.program, "accounts", "--export", str(file))
        file.write_text(file.read_text().replace('"ended_at": null', '"ended_at": 1', 1))
        ended = command(factory.program, "accounts", "--import", str(file), "--replace")
    assert ended.stdout.endswith("account Mira: ended, phones that hear nothing more: 1\n")
    assert factory.get("/phones")["outlets"] == [{"outlet": "phones-l3", "phones": 1}]


def test_a_phone_that_ended_is_forgotten_and_nothing_of_it_is_in_the_log(
    factory: Factory, service: HttpReceiver
) -> None:
    service.answer(then=Answer(status=410))
    handset = Handset(f"http://127.0.0.1:{service.port}/send/secret-endpoint")
    said = handset.subscription
    asked = {"by": "Mira", "outlet": "phones-l3", "endpoint": said["endpoint"], **said["keys"]}
    factory.api.post("/phones", json=asked).raise_for_status()
    empty_a_tray(factory)
    factory.until(
        lambda: factory.get("/phones")["outlets"] == [{"outlet": "phones-l3", "phones": 0}], "still there"
    )
    assert "secret-endpoint" not in factory.program.log()
    assert said["keys"]["auth"] not in factory.program.log()
