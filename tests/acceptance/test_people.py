"""Who is told by the running program: people by their outlets, again and further while nobody takes it."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from tests.support.factory import Factory
from tests.support.receivers import Answer, HttpReceiver

StartFactory = Callable[..., Factory]
PEOPLE = """
[[outlet]]
name = "ines-chat"
type = "chat"
url = "{ines}"
[[outlet]]
name = "bert-chat"
type = "chat"
url = "{bert}"
[[person]]
name = "Ines"
outlets = ["ines-chat", "mail"]
[[person]]
name = "Bert"
outlets = "bert-chat"
[[route]]
outlets = "hook"
[[route]]
people = "Ines"
tells = "calls"
escalate_to = "Bert"
escalate_panels = 3
remind_panels = 2
"""


@pytest.fixture
def ines() -> Iterator[HttpReceiver]:
    with HttpReceiver() as chat:
        yield chat


@pytest.fixture
def bert() -> Iterator[HttpReceiver]:
    with HttpReceiver() as chat:
        yield chat


@pytest.fixture
def factory(start_factory: StartFactory, ines: HttpReceiver, bert: HttpReceiver) -> Factory:
    return start_factory(extra=PEOPLE.format(ines=ines.url, bert=bert.url))


def begin(factory: Factory, left: int) -> None:
    factory.gateway.send("L3/P1/recipe", retain=True, recipe="door-unit", usage={"T2": 1})
    factory.gateway.send("L3/P1/count", session="a", seq=1, panels=0, slots={"T2": {"placed": 0, "lost": 0}})
    factory.gateway.send(
        "L3/P1/supply", id="first", slot="T2", change="loaded", kind="tray", part="MCU-48Q", quantity=left
    )


def panel(factory: Factory, number: int) -> None:
    slots = {"T2": {"placed": number, "lost": 0}}
    factory.gateway.send("L3/P1/count", session="a", seq=number + 1, panels=number, slots=slots)
    factory.until_counted("L3", "T2", seq=number + 1)


def test_what_nobody_takes_is_said_again_and_goes_on_to_the_next(
    factory: Factory, ines: HttpReceiver, bert: HttpReceiver
) -> None:
    begin(factory, left=9)
    ines.received.wait_for(1)
    for number in (1, 2, 3):
        panel(factory, number)
    assert "T2" in bert.received.wait_for(1)[0].json["text"]
    assert "T2" in ines.received.wait_for(2)[1].json["text"]

    (notice,) = factory.get("/notices")
    assert (notice["hears"], notice["reminded"]) == (["Ines", "Bert"], 1)
    factory.api.post(f"/notices/{notice['id']}/take", json={"by": "Bert"}).raise_for_status()
    for number in (4, 5):
        panel(factory, number)
    (taken,) = factory.get("/notices")
    assert (taken["state"], taken["taken_by"], taken["reminded"]) == ("taken", "Bert", 1)
    # The program that listens hears of changes alone.
    factory.until(lambda: len(factory.told()) >= 2, "that it was taken was not told")
    assert [event["type"].rpartition(".")[2] for event in factory.told()] == ["opened", "changed"]

    factory.api.post(f"/notices/{notice['id']}/release", json={"by": "Bert"}).raise_for_status()
    factory.until(lambda: len(factory.told()) == 3, "that it was given back was not told")
    assert factory.get("/notices")[0]["taken_by"] is None


def test_who_takes_no_chat_any_more_is_told_by_mail(factory: Factory, ines: HttpReceiver) -> None:
    ines.answer(then=Answer(status=410))
    begin(factory, left=9)
    letters = factory.mail.wait_for(2)
    subjects = sorted(letter.message["Subject"] for letter in letters)
    assert any("T2" in subject for subject in subjects)
    assert any("ines-chat" in subject for subject in subjects)


def test_the_program_says_who_would_hear(factory: Factory) -> None:
    answer = factory.get("/who", line="L3", kind="tape")
    assert [[each["person"] for each in one["people"]] for one in answer["rounds"]] == [["Ines"], ["Bert"]]
    assert answer["rounds"][0]["outlets"] == ["hook", "ines-chat"]
