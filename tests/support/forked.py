"""A loaded program whose starts differ: how patient its watchdog is, and at which point it crashes."""

from __future__ import annotations

from pathlib import Path

from service import crash
from tests.support import preloaded
from tests.support.loaded import Child, fork
from tests.support.processes import LoadedProgram

PATIENT, IMPATIENT = 60.0, 4.0


class ForkedProgram(LoadedProgram):
    """``stuck_after`` and ``crash_at`` hold from the next start on."""

    def __init__(self, folder: Path, *, config: str) -> None:
        super().__init__(folder, "run", config=config)
        self.stuck_after = PATIENT
        self.crash_at = ""

    def _begin(self) -> Child:
        self.environment[crash.VARIABLE] = self.crash_at
        if self.stuck_after == PATIENT:
            return super()._begin()
        return fork(self._seat(), preloaded.run_impatiently, "earlybell.toml", self.stuck_after)
