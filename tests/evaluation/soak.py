"""Memory, threads and open files of the service over hours of a plant at speed: they must not grow.

``python -m tests.evaluation.soak --hours 1 --speed 20``: the night's three lines with their bad gateways over
a real broker, its people acting on what a real receiver hears, and a page's stream listened to. Prints a
sample every ten seconds, and at the end how the second half compares with the first after the warming up.
"""

from __future__ import annotations

import argparse
import io
import os
import threading
import time
import urllib.request
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from simulators.scenario import load_scenario, shipped
from simulators.show import Show, open_show, until_stopped

EVERY = 10.0
WARM = 0.2
"""The share of the run in which caches fill and the first supplies are learned."""


@dataclass(frozen=True, slots=True)
class Sample:
    """Resident memory in MiB, and how many threads and open files."""

    rss: float
    threads: int
    files: int


def sample(pid: int) -> Sample:
    proc = Path(f"/proc/{pid}")
    pages = int((proc / "statm").read_text().split()[1])
    return Sample(
        rss=pages * os.sysconf("SC_PAGE_SIZE") / 2**20,
        threads=len(list((proc / "task").iterdir())),
        files=len(list((proc / "fd").iterdir())),
    )


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.evaluation.soak")
    parser.add_argument("--hours", type=float, default=1.0)
    parser.add_argument("--speed", type=float, default=20.0)
    parser.add_argument("--scenario", default="three-lines-by-night")
    options = parser.parse_args()
    scenario = load_scenario(shipped()[options.scenario])
    settings = scenario.service
    with (
        until_stopped() as stop,
        open_show(scenario, stop, speed=options.speed, settings=settings, out=io.StringIO()) as show,
    ):
        show.begin(hours=options.hours)
        samples = _watch(show, stop)
    for line in _report(samples):
        print(line)


def _watch(show: Show, stop: threading.Event) -> list[Sample]:
    listener = threading.Thread(target=_listen, args=(show.page,), daemon=True)
    listener.start()
    samples: list[Sample] = []
    next_at = time.monotonic()
    while not stop.is_set() and show.goes_on():
        show.watch(seconds=max(0.0, next_at - time.monotonic()))
        samples.append(sample(show.service_pid))
        print(f"{len(samples) * EVERY:6.0f} s  {samples[-1]}", flush=True)
        next_at += EVERY
    return samples


def _listen(page: str) -> None:
    """A page that stays open."""
    with urllib.request.urlopen(f"{page}/api/v1/stream") as stream:
        try:
            while stream.readline():
                pass
        except OSError:
            return


def _report(samples: Sequence[Sample]) -> list[str]:
    warm = samples[int(len(samples) * WARM) :]
    half = len(warm) // 2
    lines = []
    for name in ("rss", "threads", "files"):
        first, second = (median(getattr(each, name) for each in part) for part in (warm[:half], warm[half:]))
        lines.append(f"{name}: median {first:.1f} in the first half, {second:.1f} in the second")
    return lines


if __name__ == "__main__":
    main()
