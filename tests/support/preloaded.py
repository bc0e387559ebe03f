"""What the server of ``tests.support.loaded`` has imported before it forks, and what its children then do."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from service import crash
from service.__main__ import main
from service.bootstrap import Service
from service.settings import load
from service.telemetry import configure_logging


def command(words: Sequence[str]) -> int:
    """``earlybell …``"""
    return main(words)


def run_impatiently(config: str, stuck_after: float) -> int:
    """``earlybell run --config …`` with a watchdog as patient as it is told."""
    configure_logging("info")
    crash.arm(os.environ.get(crash.VARIABLE))
    return Service(load(Path(config), os.environ), stuck_after=stuck_after).run()
