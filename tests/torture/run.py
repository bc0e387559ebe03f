"""One whole run on one store: the stage is set, faults come, everything settles, the judge speaks."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from tests.torture.checks import check
from tests.torture.evidence import gather, settle
from tests.torture.faults import Faults
from tests.torture.results import Outcome
from tests.torture.stage import Plan, stage

LONGEST_RECOVERY = 60.0
"""Seconds from a kill until ready again (I9), on a machine that does all this on the side."""


def torture(plan: Plan, say: Callable[[str], None], folder: Path | None = None) -> Outcome:
    """What became of it; the files of a run with a broken promise are kept where ``say`` tells."""
    began = time.monotonic()
    home = folder or Path(tempfile.mkdtemp(prefix="earlybell-torture-"))
    say(f"{plan.store}, seed {plan.seed}, files in {home}")
    with stage(plan, home) as scene:
        scene.floor.run()
        scene.people.start()
        toll = Faults(scene, say).run()
        say("the faults are over")
        evidence = gather(scene, settle(scene, say))
        violations = check(evidence)
        violations += [
            f"ready only {taken:.0f} s after a kill" for taken in toll.recoveries if taken > LONGEST_RECOVERY
        ]
        return Outcome(
            plan=plan,
            toll=toll,
            evidence=evidence,
            violations=violations,
            seconds=time.monotonic() - began,
            waited=scene.floor.waited,
            asked=scene.floor.asked,
            resent=scene.floor.resent,
            in_vain=sum(station.asked_in_vain for station in scene.floor.stations.values()),
        )
