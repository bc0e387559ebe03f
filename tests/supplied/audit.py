"""Is anything known against a locked package? Asks the advisories that the package index keeps, by pip-audit.

What couldn't be asked is said and never taken for clean. A finding fails with what to do; one that somebody
looked at and accepts stands in ``accepted.toml`` with a reason and a last day, at most ninety days ahead.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from tests.supplied.locked import DEVELOPMENT

ACCEPTED = Path(__file__).with_name("accepted.toml")
LONGEST = timedelta(days=90)
PATIENCE = 60.0
"""Seconds for all; one answer gets five, so that a wall that swallows packets is noticed soon."""
TO_DO = (
    "raise its lower bound in pyproject.toml and run `UPGRADE=1 make lock`; if it can't touch us, accept it "
    "in tests/supplied/accepted.toml with a reason and a last day"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Acceptance:
    """``advisory``: its name there. ``until``: the last day on which it holds."""

    advisory: str
    package: str
    until: date
    why: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """Lines for people, and whether the check fails."""

    lines: Sequence[str]
    failed: bool


def accepted(text: str, today: date) -> list[Acceptance]:
    """``ValueError`` for one that accepts for too long or doesn't say why."""
    found = [Acceptance(**each) for each in tomllib.loads(text).get("accepted", [])]
    for each in found:
        if not each.why.strip() or each.until > today + LONGEST:
            raise ValueError(f"{each.advisory}: wants a reason, and a last day within {LONGEST.days} days")
    return found


def judge(report: Mapping[str, Any], accepting: Iterable[Acceptance], today: date) -> Verdict:
    """What pip-audit's JSON means."""
    packages = report["dependencies"]
    skipped = [each["name"] for each in packages if "skip_reason" in each]
    if len(skipped) == len(packages):
        return not_audited(f"the index keeps advisories on none of the {len(packages)} packages")
    lines = [f"audit: {len(packages) - len(skipped)} of {len(packages)} packages were looked up"]
    if skipped:
        lines.append(f"audit: not audited, because the index doesn't know them: {', '.join(skipped)}")
    holds = {(each.advisory, each.package): each for each in accepting}
    failed = False
    for package in packages:
        for found in package.get("vulns", ()):
            names = {found["id"], *found["aliases"]}
            mine = next((holds.pop((name, package["name"])) for name in sorted(names)
                         if (name, package["name"]) in holds), None)  # fmt: skip
            what = f"audit: {package['name']} {package['version']}: {found['id']}"
            if mine is not None and today <= mine.until:
                lines.append(f"{what}, accepted until {mine.until}: {mine.why}")
                continue
            failed = True
            fixed = ", ".join(found["fix_versions"])
            lines.append(f"{what}, {f'mended in {fixed}' if fixed else 'not mended yet'}: {TO_DO}")
            if mine is not None:
                lines.append(f"audit: that was accepted until {mine.until}: look again")
    lines += [f"audit: {each.advisory} isn't found any more: take it out" for each in holds.values()]
    return Verdict(lines, failed)


def not_audited(why: str) -> Verdict:
    return Verdict([f"audit: NOT AUDITED: {why}"], failed=False)


def audit(*, lock: Path = DEVELOPMENT, more: Sequence[str] = (), today: date | None = None) -> Verdict:
    """``more``: further words for pip-audit."""
    today = datetime.now(UTC).date() if today is None else today
    accepting = accepted(ACCEPTED.read_text(encoding="utf-8"), today)
    with tempfile.TemporaryDirectory() as folder:
        result = Path(folder) / "result.json"
        words = ["--disable-pip", "--require-hashes", "--requirement", lock, "--progress-spinner", "off"]
        words += ["--format", "json", "--output", result, "--cache-dir", folder, "--timeout", "5", *more]
        try:
            done = subprocess.run(
                [sys.executable, "-m", "pip_audit", *map(str, words)],
                capture_output=True,
                text=True,
                timeout=PATIENCE,
                check=False,
            )
        except subprocess.TimeoutExpired:
            return not_audited(f"no answer within {PATIENCE:g} s")
        if not result.exists() or not result.read_text(encoding="utf-8"):
            said = done.stderr.strip().splitlines() or ["it said nothing"]
            return not_audited(f"the index wasn't reached, or not to its end ({said[-1].split(':')[0][:80]})")
        return judge(json.loads(result.read_text(encoding="utf-8")), accepting, today)


def main() -> int:
    verdict = audit()
    print("\n".join(verdict.lines))
    return int(verdict.failed)


if __name__ == "__main__":
    sys.exit(main())
