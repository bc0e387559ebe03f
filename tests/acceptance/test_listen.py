"""`earlybell listen`: a guest at a real broker, and a draft beside the running program."""

from __future__ import annotations

import json
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from tests.support.factory import Factory, Gateway
from tests.support.mosquitto import Mosquitto
from tests.support.processes import Program, StartProgram
from tests.support.wait import eventually

ELSEWHERE = "works/L3/P1/numbers"


@contextmanager
def speaking(broker: Mosquitto, *, ours: bool = False) -> Iterator[None]:
    """A machine that takes a panel each tenth of a second and says so in words of its own; with ``ours``, its
    other gateway says the same in our contract."""
    over = threading.Event()

    def speak() -> None:
        gateway = Gateway(broker.port)
        panels = 0
        while not over.wait(0.1):
            panels += 1
            slots = {slot: {"placed": each * panels} for slot, each in (("F07", 3), ("F08", 1))}
            foreign = [{"pos": slot, **counts} for slot, counts in slots.items()]
            gateway.send_raw(ELSEWHERE, json.dumps({"boards": panels, "feeders": foreign}).encode())
            if ours:
                gateway.send("L3/P1/count", session="a", seq=panels, panels=panels, slots=slots)
        gateway.close()

    speaker = threading.Thread(target=speak)
    speaker.start()
    try:
        yield
    finally:
        over.set()
        speaker.join()


def listen(start_program: StartProgram, broker: Mosquitto, *words: str, **options: Any) -> Program:
    return start_program("listen", *words, config=f'[mqtt]\nurl = "{broker.url}"\n', **options)


def test_a_draft_is_written_and_counts_the_same_as_what_counts_now(
    factory: Factory, start_program: StartProgram
) -> None:
    home = factory.program.folder
    with speaking(factory.broker, ours=True):
        factory.until_counted("L3", "F07", session="a")
        drafting = start_program(
            "listen", "--seconds", "2", "--draft", "draft.toml", config=factory.config, folder=home
        )
        assert drafting.wait(30) == 0, drafting.tail()
        trying = start_program(
            "listen", "--try", "draft.toml", "--seconds", "3", "--json", config=factory.config, folder=home
        )
        assert trying.wait(30) == 0, trying.tail()

    assert "works/{line}/{station}/numbers" in (home / "draft.toml").read_text()
    (figures,) = [json.loads(line) for line in trying.log().splitlines() if line.startswith("[")]
    (mapped,) = figures
    trial = {slot["slot"]: slot["trial"]["placed"] for slot in mapped["slots"]}
    counted = {slot["slot"]: slot["counted"]["placed"] for slot in mapped["slots"]}
    assert trial.keys() == counted.keys() == {"F07", "F08"}
    assert trial["F07"] == 3 * trial["F08"] > 30
    # They began a look or two apart.
    assert abs(trial["F08"] - counted["F08"]) <= 15
    assert mapped["refused"] == []


def test_it_says_nothing_to_the_broker_and_leaves_nothing_there(
    broker: Mosquitto, start_program: StartProgram
) -> None:
    with speaking(broker):
        program = listen(start_program, broker, "--seconds", "1")
        assert program.wait(20) == 0, program.tail()

    assert "works" in program.log()
    assert "rises only" in program.log()
    log = broker.log()
    assert "as earlybell-" in log
    assert "Received PUBLISH from earlybell" not in log
    # Clean start; the session ends with the connection.
    assert "c1" in next(line for line in log.splitlines() if "as earlybell-" in line)


def test_ctrl_c_ends_it_early_and_what_was_heard_is_shown(
    broker: Mosquitto, start_program: StartProgram
) -> None:
    with speaking(broker):
        program = listen(start_program, broker, "--seconds", "3600", "--topic", "works/#")
        eventually(lambda: "Sending PUBLISH to earlybell" in broker.log(), message="it hears nothing")
        program.signal(signal.SIGINT)
        assert program.wait(20) == 0, program.tail()

    assert "may be" in program.log()


def test_a_topic_that_is_no_filter_is_misuse(broker: Mosquitto, start_program: StartProgram) -> None:
    program = listen(start_program, broker, "--topic", "works/#/P1")
    assert program.wait(20) == 2
    assert "works/#/P1" in program.log()


def test_a_broker_that_is_away_or_says_nothing_is_named(
    broker: Mosquitto, start_program: StartProgram
) -> None:
    silent = listen(start_program, broker, "--seconds", "0.5")
    assert silent.wait(20) == 1
    assert "nothing was said" in silent.log()
    broker.stop()
    away = listen(start_program, broker)
    assert away.wait(20) == 1
    assert "can't reach the broker" in away.log()
