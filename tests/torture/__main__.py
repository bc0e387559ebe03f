"""``make torture``: at full length on both stores, or as the arguments say. Exit 1: a promise was broken."""

from __future__ import annotations

import argparse
import random
import shlex
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from tests.torture.results import table
from tests.torture.run import torture
from tests.torture.stage import Plan

RESULTS = Path(__file__).with_name("results.md")
STORES = ("sqlite", "postgresql")
MINUTES = 20.0
"""Of the whole, shared evenly: 200 kills, 20 restarts of the broker, 10 of PostgreSQL."""


def main(arguments: list[str]) -> int:
    options = _options(arguments)
    stores = STORES if options.store == "both" else (options.store,)
    plan = scaled(options.minutes * 60 / len(stores), options.seed)
    command = f'make torture ARGS="{shlex.join(arguments)}"' if arguments else "make torture"
    date = datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")
    if not options.seed_given:
        command += f" (seed {options.seed})"
    outcomes = []
    for store in stores:
        outcomes.append(torture(replace(plan, store=store), _say))
        text = table(command, date, outcomes)
        _say(text)
        if options.results is not None:
            options.results.write_text(text, encoding="utf-8")
    return 1 if any(each.violations for each in outcomes) else 0


def scaled(seconds: float, seed: int) -> Plan:
    """A plan of so many seconds on one store, with faults as thick as in the whole."""
    share = seconds / (MINUTES * 60 / len(STORES))
    full = Plan()
    return Plan(
        seed=seed,
        seconds=seconds,
        kills=max(1, round(full.kills * share)),
        brokers=max(2, round(full.brokers * share)),
        databases=max(1, round(full.databases * share)),
        outages=max(1, round(full.outages * share)),
    )


def _options(arguments: list[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="make torture ARGS=")
    parser.add_argument("--minutes", type=float, help=f"in all, {MINUTES:g} unless given")
    parser.add_argument("--store", choices=(*STORES, "both"), default="both")
    parser.add_argument("--seed", type=int, help="drawn and printed unless given")
    parser.add_argument("--results", type=Path, help="a file for the table; a run at full length keeps it")
    options = parser.parse_args(arguments)
    options.seed_given = options.seed is not None
    if options.seed is None:
        options.seed = random.SystemRandom().randrange(10_000)
    if options.minutes is None:
        options.minutes = MINUTES
        options.results = options.results or RESULTS
    return options


def _say(text: str) -> None:
    print(text, flush=True)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
