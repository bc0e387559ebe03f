"""What came of an hour of soaking: latency, memory of the longest life, the verdict, as Markdown. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from statistics import linear_regression, median

from tests.evaluation.siege import Spell
from tests.torture.checks import duplicates
from tests.torture.evidence import Evidence
from tests.torture.faults import Toll
from tests.torture.results import spread
from tests.torture.run import LONGEST_RECOVERY
from tests.torture.stage import Plan

WARM = 300.0
"""Seconds of a life in which caches and tables of what came last fill, and the first supplies are learned."""
TELLS = 120.0
"""Seconds of a warm life below which nothing is said of its memory."""
GROWS = 0.05
"""From the first third of a warm life to its last, at most, before memory isn't called flat."""
CACHE = {"sqlite": 64.0, "postgresql": 0.0}
"""MiB that SQLite's cache of pages may take while its file grows (``service/store/engines``)."""
HELD = 0.9
"""The share of the asked rate that must have been produced, or the run proves too little."""
AFTER = 15.0
"""Seconds after a fault in which its backlog is still worked off."""
MILLISECOND = len("2026-01-05T06:00:00.000")
"""What a notice says of its moment; the journal knows it to the microsecond."""


@dataclass(frozen=True, slots=True)
class Sample:
    """``at`` seconds from the beginning; resident memory in MiB, seconds of a core used since its start."""

    at: float
    pid: int
    rss: float
    threads: int
    files: int
    cpu: float

    def __str__(self) -> str:
        return f"{self.at:7.0f} s  RSS {self.rss:.0f} MiB, {self.threads} threads, {self.files} files"


@dataclass(frozen=True, slots=True, kw_only=True)
class Soaked:
    """``producing``: seconds in which the plant worked; ``stored``: bytes of the store at the end."""

    plan: Plan
    rate: float
    toll: Toll
    spells: Sequence[Spell]
    evidence: Evidence
    violations: Sequence[str]
    samples: Sequence[Sample]
    producing: float
    seconds: float
    stored: int
    resent: int

    @property
    def real_rate(self) -> float:
        counts = sum(totals.seq for each in self.evidence.truth.sessions.values() for totals in each.values())
        return counts / self.producing

    @property
    def longest(self) -> Sequence[Sample]:
        """The samples of the longest life, without its first minutes."""
        lives = [list(life) for _, life in groupby(self.samples, key=lambda each: each.pid)]
        life = max(lives, key=len, default=[])
        return [each for each in life if each.at >= life[0].at + WARM]

    @property
    def tells(self) -> bool:
        """Whether that life was long enough to judge its memory."""
        return len(self.longest) > 2 and self.longest[-1].at - self.longest[0].at >= TELLS


def verdict(soaked: Soaked) -> list[str]:
    """What is wrong, in words."""
    faults = list(soaked.violations)
    faults += [
        f"ready only {taken:.0f} s after a kill"
        for taken in soaked.toll.recoveries
        if taken > LONGEST_RECOVERY
    ]
    if soaked.real_rate < HELD * soaked.rate:
        faults.append(f"the plant made only {soaked.real_rate:.0f} of {soaked.rate:.0f} messages a second")
    for what in ("rss", "threads", "files") if soaked.tells else ():
        first, last = _thirds(soaked.longest, what)
        allowed = CACHE[soaked.plan.store] if what == "rss" else 1
        if last > first * (1 + GROWS) + allowed:
            faults.append(f"{what} grew from {first:.0f} to {last:.0f} within the longest life")
    return faults


def latencies(soaked: Soaked) -> tuple[list[float], list[float]]:
    """Seconds from the clock of the count that opened a notice to the webhook's socket: in fair weather, and
    during faults or just after them. Gateways whose clocks were wrong can't say."""
    arrived: dict[tuple[str, str], float] = {}
    for each in soaked.evidence.received:
        if each["outlet"] == "hook" and each["taken"] and each["change"] == "opened":
            arrived.setdefault((each["where"], each["opened_at"]), each["at"])
    fair: list[float] = []
    foul: list[float] = []
    for entry in soaked.evidence.journal:
        if entry["type"] != "earlybell.floor.count":
            continue
        at = arrived.pop((entry["subject"], f"{entry['time'][:MILLISECOND]}Z"), None)
        if at is None:
            continue
        said = datetime.fromisoformat(entry["data"]["at"]).timestamp()
        if abs(at - said) < 3600:
            (foul if _is_foul(soaked.spells, at) else fair).append(at - said)
    return fair, foul


def _is_foul(spells: Sequence[Spell], at: float) -> bool:
    return any(spell.begin - 1 <= at <= spell.end + AFTER for spell in spells)


def _thirds(samples: Sequence[Sample], what: str) -> tuple[float, float]:
    third = max(1, len(samples) // 3)
    values = [float(getattr(each, what)) for each in samples] or [0.0]
    return median(values[:third]), median(values[-third:])


def report(command: str, date: str, soaked: Soaked) -> str:
    toll, evidence, life = soaked.toll, soaked.evidence, soaked.longest
    counts = sum(entry["type"] == "earlybell.floor.count" for entry in evidence.journal)
    fair, foul = latencies(soaked)
    slope = (
        linear_regression([s.at for s in life], [s.rss for s in life]).slope * 3600 if len(life) > 2 else 0
    )
    rss, threads, files = (_thirds(life, what) for what in ("rss", "threads", "files"))
    stored = f"{soaked.stored / 2**20:.0f} MiB, {soaked.stored / max(1, counts):.0f} bytes a count"
    held = f"{threads[0]:.0f} and {threads[1]:.0f}, {files[0]:.0f} and {files[1]:.0f}"
    rows = {
        "store, seed": f"{soaked.plan.store}, {soaked.plan.seed}",
        "stations, slots": f"{soaked.plan.lines * soaked.plan.stations}, {len(evidence.slots)}",
        "the plant worked": f"{soaked.producing:.0f} s",
        "counts a second": f"{soaked.real_rate:.0f} (asked {soaked.rate:.0f})",
        "faults": ", ".join(f"{times} {name}" for name, times in sorted(toll.done.items())),
        "kills of the program": str(toll.kills),
        "ended by itself": ", ".join(f"{n} {code}" for code, n in sorted(toll.exits.items())) or "never",
        "ready after a kill, p50 / p95 / max": spread(toll.recoveries),
        "ready after another fault, p50 / p95 / max": spread(toll.returns),
        "messages in the ledger, counts in the journal": f"{evidence.truth.messages}, {counts}",
        "sessions of gateways, messages sent again": f"{_sessions(soaked)}, {soaked.resent}",
        "stations uncertain in the end, and saying so": str(len(evidence.uncertain)),
        "notices": str(len(evidence.notices)),
        "deliveries taken, of them repeats under the same id": f"{_taken(soaked)}, {duplicates(evidence)}",
        "count to receiver in fair weather, p50 / p99 / max": _latency(fair),
        f"… within {AFTER:.0f} s of a fault": _latency(foul),
        f"longest life without its first {WARM:.0f} s": f"{life[-1].at - life[0].at:.0f} s"
        if life
        else "none",
        "… RSS, first and last third": f"{rss[0]:.1f} and {rss[1]:.1f} MiB ({slope:+.1f} MiB an hour)",
        "… threads and open files": held,
        "… of a core": _cpu(life),
        "most RSS of any life": f"{max((s.rss for s in soaked.samples), default=0):.0f} MiB",
        "store in the end": stored,
        "all in all": f"{soaked.seconds:.0f} s",
    }
    faults = verdict(soaked)
    lines = [
        "# An hour in which everything fails",
        "",
        f"`{command}`, {date}; every figure from this one run.",
        "",
    ]
    lines += ["| | |", "| --- | --- |", *(f"| {name} | {figure} |" for name, figure in rows.items()), ""]
    lines += ["RSS in MiB, about every five minutes (a new life where it falls): ", ""]
    lines += [
        ", ".join(
            f"{s.at / 60:.0f} min {s.rss:.0f}" for s in soaked.samples[:: max(1, len(soaked.samples) // 14)]
        )
    ]
    memory = "memory flat" if soaked.tells else "memory not judged, no life was long enough"
    lines += ["", "Not kept:" if faults else f"Nothing lost, nothing counted twice, {memory}.", ""]
    lines += [f"- {fault}" for fault in faults]
    return "\n".join(lines).rstrip() + "\n"


def _sessions(soaked: Soaked) -> int:
    return sum(map(len, soaked.evidence.truth.sessions.values()))


def _taken(soaked: Soaked) -> int:
    return sum(each["taken"] for each in soaked.evidence.received)


def _latency(waits: Sequence[float]) -> str:
    if not waits:
        return "none"
    ordered = sorted(waits)
    p99 = ordered[min(len(ordered) - 1, len(ordered) * 99 // 100)]
    return f"{median(ordered) * 1e3:.0f} / {p99 * 1e3:.0f} / {ordered[-1] * 1e3:.0f} ms of {len(ordered)}"


def _cpu(life: Sequence[Sample]) -> str:
    if len(life) < 2:
        return "unknown"
    return f"{(life[-1].cpu - life[0].cpu) / (life[-1].at - life[0].at):.2f}"
