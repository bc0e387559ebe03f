"""An eight-hour shift of four lines, recorded with all that goes wrong and replayed in five ways on both
databases: what comes of it, as sums in a table that must all be alike.

``python -m tests.evaluation.determinism``; the last result is kept in ``determinism.md``. Ends with 1 where
two differ.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from dataclasses import astuple
from pathlib import Path

from service.usecases.tempo import FASTEST
from service.wire.journal import read_line
from tests.support.again import WAYS, Outcome, Way, replayed
from tests.support.busy import busy_shift
from tests.support.stores import empty_store

SHOWN = 12
"""Digits of each sum."""


def main() -> int:
    options = _parser().parse_args()
    lines = busy_shift(options.hours, seed=options.seed)
    kinds = Counter(getattr(read_line(line), "kind", "state") for line in lines)
    counted = ", ".join(f"{number} {kind}" for kind, number in kinds.most_common())
    _say(f"{options.hours:g} hours, seed {options.seed}: {len(lines)} lines ({counted}).")
    _say()
    _say("| store | entries a commit | speed | journal | notices | states | stays | report | seconds |")
    _say("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    found = [_row(lines, kind, way) for kind in ("SQLite", "PostgreSQL") for way in WAYS]
    _say()
    alike = len(set(found)) == 1
    _say(f"All {len(found)} alike." if alike else f"NOT ALIKE: {len(set(found))} different outcomes.")
    return 0 if alike else 1


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.evaluation.determinism", description=__doc__)
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--seed", type=int, default=7)
    return parser


def _row(lines: list[bytes], kind: str, way: Way) -> Outcome:
    with tempfile.TemporaryDirectory() as folder:
        store = empty_store(kind.lower(), Path(folder) / "shift.db")
        began = time.monotonic()
        outcome = replayed(lines, store, way)
        took = time.monotonic() - began
        store.close()
    speed = "max" if way.speed == FASTEST else f"{way.speed:g} ×"
    sums = " | ".join(each[:SHOWN] for each in astuple(outcome))
    _say(f"| {kind} | {way.batch} | {speed} | {sums} | {took:.0f} |")
    return outcome


def _say(text: str = "") -> None:
    print(text, flush=True)


if __name__ == "__main__":
    sys.exit(main())
