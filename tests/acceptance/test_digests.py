"""What is told at a change of shifts by the running program: once, also when it was down at that moment."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from tests.support.factory import Factory
from tests.support.processes import StartProgram
from tests.support.wait import eventually

StartFactory = Callable[..., Factory]
DIGEST = """
[[shift]]
from = "{begin}"
to = "{end}"
[[digest]]
outlets = "mail"
at = "shift change"
"""


def just_over() -> str:
    """A shift of two hours that ended two minutes ago."""
    now = datetime.now(ZoneInfo("Europe/Vienna"))
    begin, end = (f"{now - timedelta(minutes=ago):%H:%M}" for ago in (122, 2))
    return DIGEST.format(begin=begin, end=end)


def test_what_a_shift_hands_over_is_mailed_once_whatever_stops_in_between(
    start_factory: StartFactory, start_program: StartProgram, tmp_path: Path
) -> None:
    store = f"sqlite:///{tmp_path / 'plant.db'}"
    factory = start_factory(extra='[[route]]\noutlets = "hook"', store=store)
    gateway = factory.gateway
    gateway.send("L3/P1/recipe", retain=True, recipe="door-unit", usage={"T2": 1})
    gateway.send("L3/P1/supply", id="1", slot="T2", change="loaded", kind="tray", part="MCU-48Q", quantity=5)
    gateway.send("L3/P1/count", session="a", seq=1, panels=0, slots={"T2": {"placed": 0, "lost": 0}})
    factory.until(factory.told, "nothing was told")
    factory.program.stop()

    program = start_program("run", config=factory.config + just_over())
    program.wait_ready(factory.url)
    (mail,) = factory.mail.wait_for(1, within=20)
    for said in (
        "what was lost isn't known",
        "\nNobody is on it\n- P1 T2: MCU-48Q; ",
        "\n- Nothing was heard",
    ):
        assert said in mail.text().replace("\r", "")
    program.restart()
    looked = '"action": "digest"'
    eventually(lambda: program.log().count(looked) == 2, timeout=20, message=program.tail)
    assert len(factory.mail.received.all()) == 1
