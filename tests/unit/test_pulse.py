"""The watch over our own threads: who stands still is named, with its stack, and the process ends."""

from __future__ import annotations

import threading
from collections.abc import Callable

from service.pulse import EXIT_CODE, Pulse, Watchdog, stacks
from tests.support.wait import eventually


def watched(pulse: Pulse) -> tuple[Watchdog, list[int], list[dict[str, object]]]:
    ended: list[int] = []
    said: list[dict[str, object]] = []

    def say(_action: str, **fields: object) -> None:
        said.append(fields)

    return Watchdog(pulse, say=say, stuck_after=0.2, end=ended.append), ended, said


def test_a_thread_that_stands_still_ends_the_process_and_all_stacks_are_told():
    pulse = Pulse()
    pulse.beat("owner")
    watchdog, ended, said = watched(pulse)
    watchdog.run()
    assert ended == [EXIT_CODE]
    assert list(said[0]["threads"]) == ["owner"]  # type: ignore[call-overload]
    assert "MainThread" in said[0]["stacks"]  # type: ignore[operator]


def test_a_log_that_hangs_keeps_nobody_alive():
    pulse = Pulse()
    pulse.beat("owner")
    ended: list[int] = []
    never = threading.Event()

    def hang(_action: str, **_fields: object) -> None:
        never.wait(30)

    watchdog = Watchdog(pulse, say=hang, stuck_after=0.1, end=ended.append)
    watchdog.run()
    assert ended == [EXIT_CODE]
    never.set()


def test_who_moves_is_left_alone():
    pulse = Pulse()
    watchdog, ended, _ = watched(pulse)
    beat: Callable[[], None] = pulse.beater("owner")
    running = threading.Thread(target=watchdog.run)
    running.start()
    looked = [0]

    def beats() -> bool:
        beat()
        looked[0] += 1
        return looked[0] > 20

    eventually(beats)
    watchdog.stop()
    running.join(5)
    assert ended == []


def test_a_process_that_was_held_up_as_a_whole_is_forgiven():
    now = [0.0]
    pulse = Pulse(lambda: now[0])
    pulse.beat("owner")
    now[0] = 1000.0
    assert pulse.ages() == {"owner": 1000.0}
    pulse.forgive()
    assert pulse.ages() == {"owner": 0.0}


def test_the_stacks_name_the_threads():
    assert any("test_the_stacks_name_the_threads" in stack for stack in stacks().values())
