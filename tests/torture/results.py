"""The outcome of a run as a Markdown table: one column for each store, figures measured in that run alone."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from tests.torture.checks import duplicates
from tests.torture.evidence import Evidence
from tests.torture.faults import Toll
from tests.torture.stage import Plan


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One run on one store."""

    plan: Plan
    toll: Toll
    evidence: Evidence
    violations: Sequence[str]
    seconds: float
    waited: float
    asked: int
    resent: int
    in_vain: int


def table(command: str, date: str, outcomes: Sequence[Outcome]) -> str:
    rows = [_figures(each) for each in outcomes]
    names = [each.plan.store for each in outcomes]
    lines = [
        "# What died, and what came of it",
        "",
        f"`{command}`, {date}. Every figure is from this one run; the same seed draws",
        "the same faults, though not at the same instants.",
        "",
        "| | " + " | ".join(names) + " |",
        "| --- |" + " ---: |" * len(names),
    ]
    lines += [f"| {name} | " + " | ".join(row[name] for row in rows) + " |" for name in rows[0]]
    faults = [f"- {each.plan.store}: {fault}" for each in outcomes for fault in each.violations]
    lines += ["", "Violated:" if faults else "No promise was broken.", *([""] if faults else []), *faults]
    return "\n".join(lines) + "\n"


def _figures(outcome: Outcome) -> dict[str, str]:
    toll, evidence, done = outcome.toll, outcome.evidence, outcome.toll.done
    taken = sum(each["taken"] for each in evidence.received)
    dead = sum(each["state"] == "dead" for each in evidence.deliveries)
    return {
        "seed": str(outcome.plan.seed),
        "kills of the program": str(toll.kills),
        "… by SIGKILL, SIGTERM, at a crash point": _each(done, "SIGKILL", "SIGTERM", "crash point"),
        "broker restarts, of them hard": f"{toll.brokers}, {done['broker SIGKILL']}",
        "immediate restarts of PostgreSQL": str(done["PostgreSQL immediate"]),
        "wires cut, reset, swallowing, slow": str(done["wire"]),
        "times receivers were away": str(done["receivers away"]),
        "messages in the ledger": str(evidence.truth.messages),
        "counts in the journal": str(_counts(evidence)),
        "sessions": str(sum(map(len, evidence.truth.sessions.values()))),
        "holes asked for, messages sent again": f"{outcome.asked}, {outcome.resent}",
        "… asked for after `received` had let it be forgotten": str(outcome.in_vain),
        "stations uncertain in the end, and saying so": str(len(evidence.uncertain)),
        "notices": str(len(evidence.notices)),
        "deliveries taken by the receivers": str(taken),
        "… of them repeats under the same id": str(duplicates(evidence)),
        "deliveries dead": str(dead),
        "promises broken": str(len(outcome.violations)),
        "ready after a kill, p50 / p95 / max": spread(toll.recoveries),
        "ready after another fault, p50 / p95 / max": spread(toll.returns),
        "ended by itself": _ended(toll),
        "station seconds of waiting for a supply": f"{outcome.waited:.0f}",
        "duration": f"{outcome.seconds:.0f} s",
    }


def _counts(evidence: Evidence) -> int:
    return sum(entry["type"] == "earlybell.floor.count" for entry in evidence.journal)


def _each(done: dict[str, int], *names: str) -> str:
    return ", ".join(str(done[name]) for name in names)


def _ended(toll: Toll) -> str:
    own = {code: times for code, times in toll.exits.items() if code.startswith("by itself")}
    return ", ".join(f"{times} with {code.split()[-1]}" for code, times in sorted(own.items())) or "never"


def spread(times: Sequence[float]) -> str:
    if not times:
        return "none"
    ordered = sorted(times)
    near_most = ordered[min(len(ordered) - 1, round(0.95 * len(ordered)))]
    return f"{statistics.median(ordered):.1f} / {near_most:.1f} / {ordered[-1]:.1f} s"
