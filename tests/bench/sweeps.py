"""Thirty settings on one recording, by one worker and by two.

Beside the clock on the wall stands what the busiest process worked: on a machine that others use as well the
wall says little about who did how much.
"""

from __future__ import annotations

import os
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from service.sweeps import Recording, Trial, read, sweep
from service.usecases.altered import Alteration
from simulators.answering import Crew
from simulators.scenario import Scenario, load_scenario, shipped
from tests.support.shifts import shift

SETTINGS = 30
HOURS = 4.0
_TICK = os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True, slots=True, kw_only=True)
class Took:
    """Seconds on the wall, and of the one that worked most together with who waited for it."""

    wall: float
    busiest: float


def sweep_seconds() -> tuple[int, dict[int, Took]]:
    """Messages of the recording; by number of workers how long it took."""
    scenario = load_scenario(shipped()["two-lines-by-day"])
    with tempfile.TemporaryDirectory() as folder:
        recording = read(_recorded(scenario, Path(folder) / "shift.jsonl"))
        return recording.heard.messages, {jobs: _time(recording, scenario, jobs) for jobs in (1, 2)}


def _recorded(scenario: Scenario, path: Path) -> Path:
    path.write_bytes(b"".join(shift(scenario, seed=5, hours=HOURS).lines))
    return path


def _time(recording: Recording, scenario: Scenario, jobs: int) -> Took:
    trials = [Trial(alteration=Alteration(warn=(("lead_panels", lead),))) for lead in range(1, SETTINGS)]
    crew = Crew.of(scenario, 20)
    over, most = threading.Event(), [0.0]
    watch = threading.Thread(target=_watch, args=(over, most), daemon=True)
    began, worked = time.perf_counter(), time.process_time()
    watch.start()
    sweep(recording, [Trial(alteration=Alteration()), *trials], crew, model="bench", jobs=jobs)
    wall, own = time.perf_counter() - began, time.process_time() - worked
    over.set()
    watch.join()
    return Took(wall=wall, busiest=own + most[0])


def _watch(over: threading.Event, most: list[float]) -> None:
    while not over.wait(0.1):
        most[0] = max([most[0], *_children()])


def _children() -> Iterator[float]:
    """The seconds that each child has worked so far."""
    for each in Path(f"/proc/{os.getpid()}/task").glob("*/children"):
        for child in each.read_text().split():
            try:
                fields = Path(f"/proc/{child}/stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            yield (int(fields[11]) + int(fields[12])) / _TICK
