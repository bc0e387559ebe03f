"""An hour of a plant at 500 messages a second in which everything fails: is anything lost, does memory grow?

``make soak`` or ``python -m tests.evaluation.soak --minutes 60 --rate 500``. The stage, the ledger and the
judge are those of ``make torture``; here the plant is large and the time is long. For a third of it the
program is killed, the rest of the time one life must bear broker, store, wires, receivers and clocks that
fail. Writes ``soak.md`` beside this file when it lasted an hour, or where ``--results`` says. Exit 1: a
promise was broken.
"""

from __future__ import annotations

import argparse
import os
import random
import shlex
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

from tests.evaluation.siege import Siege
from tests.evaluation.soaked import Sample, Soaked, report, verdict
from tests.torture.checks import check
from tests.torture.evidence import gather, settle
from tests.torture.faults import Say
from tests.torture.stage import Plan, Stage, stage

RESULTS = Path(__file__).with_name("soak.md")
HOUR = 60.0
LINES = 20
EVERY = 10.0
"""Seconds between two samples."""
FAULTS = 30.0


def plan(minutes: float, rate: float, store: str, seed: int) -> Plan:
    """A panel a second at each station. Supplies last from three minutes to ten, so that each slot is
    refilled about three times before the life begins whose memory is judged, and eight times in the hour: of
    a slot's last supplies two are kept at hand, and while those fill, memory grows and must."""
    return Plan(
        store=store,
        seed=seed,
        seconds=minutes * 60,
        lines=LINES,
        stations=max(1, round(rate / LINES)),
        panels_a_second=rate / LINES / max(1, round(rate / LINES)),
        first_panels=(30, 600),
        panels=(200, 600),
        settle_within=600.0,
        ready_within=300.0,
    )


def soak(what: Plan, rate: float, every: float, say: Say, folder: Path) -> Soaked:
    """``every``: seconds between two faults, on average."""
    began = time.monotonic()
    say(f"{what.store}, seed {what.seed}, files in {folder}")
    with stage(what, folder) as scene:
        scene.floor.run()
        scene.people.start()
        made = time.time()
        with _watching(scene, say) as samples:
            siege = Siege(scene, say, every=every)
            toll = siege.run()
            ended = time.time()
        say("the faults are over")
        evidence = gather(scene, settle(scene, say))
        return Soaked(
            plan=what,
            rate=rate,
            toll=toll,
            spells=siege.spells,
            evidence=evidence,
            violations=[*([siege.given_up] if siege.given_up else []), *check(evidence)],
            samples=samples,
            producing=ended - made,
            seconds=time.monotonic() - began,
            stored=_stored(scene),
            resent=scene.floor.resent,
        )


@contextmanager
def _watching(scene: Stage, say: Say) -> Iterator[list[Sample]]:
    samples: list[Sample] = []
    over = threading.Event()

    def look() -> None:
        began = time.monotonic()
        while not over.wait(EVERY):
            try:
                samples.append(sample(scene.program.pid, time.monotonic() - began))
            except OSError:  # it has just been killed
                continue
            if len(samples) % 6 == 0:
                say(f"{samples[-1]}")

    thread = threading.Thread(target=look, name="samples", daemon=True)
    thread.start()
    try:
        yield samples
    finally:
        over.set()
        thread.join()


def sample(pid: int, at: float) -> Sample:
    proc = Path(f"/proc/{pid}")
    pages = int((proc / "statm").read_text().split()[1])
    ticks = (proc / "stat").read_text().rpartition(")")[2].split()
    return Sample(
        at=at,
        pid=pid,
        rss=pages * os.sysconf("SC_PAGE_SIZE") / 2**20,
        threads=len(list((proc / "task").iterdir())),
        files=len(list((proc / "fd").iterdir())),
        cpu=(int(ticks[11]) + int(ticks[12])) / os.sysconf("SC_CLK_TCK"),
    )


def _stored(scene: Stage) -> int:
    """Bytes of the store."""
    if scene.postgres is None:
        return sum(path.stat().st_size for path in scene.folder.glob("store.db*"))
    with scene.postgres.server.connect() as connection:
        row = connection.execute(
            "SELECT sum(pg_database_size(datname)) FROM pg_database WHERE NOT datistemplate"
        )
        return int(row.fetchone()[0])  # type: ignore[index]


def main(arguments: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(prog="make soak ARGS=")
    parser.add_argument("--minutes", type=float, default=HOUR)
    parser.add_argument("--rate", type=float, default=500.0, help="messages a second")
    parser.add_argument("--every", type=float, default=FAULTS, help="seconds between two faults, on average")
    parser.add_argument("--store", choices=("sqlite", "postgresql"), default="postgresql")
    parser.add_argument("--seed", type=int, help="drawn and printed unless given")
    parser.add_argument("--results", type=Path, help="a file for the report; an hour's is kept")
    options = parser.parse_args(arguments)
    seed = options.seed if options.seed is not None else random.SystemRandom().randrange(10_000)
    results = options.results or (RESULTS if options.minutes >= HOUR else None)
    folder = Path(tempfile.mkdtemp(prefix="earlybell-soak-"))
    say = _teller(folder / "said")
    date = datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")
    command = f'make soak ARGS="{shlex.join(arguments)}"' if arguments else "make soak"
    soaked = soak(
        plan(options.minutes, options.rate, options.store, seed), options.rate, options.every, say, folder
    )
    text = report(command, date, soaked)
    say(text)
    if results is not None:
        results.write_text(text, encoding="utf-8")
    return 0 if not verdict(soaked) else 1


def _teller(path: Path) -> Callable[[str], None]:
    def say(text: str) -> None:
        print(text, flush=True)
        with path.open("a", encoding="utf-8") as file:
            print(text, file=file)

    return say


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
