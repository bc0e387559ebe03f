"""The program as ``earlybell run`` starts it, but with a watchdog that waits for seconds only."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from service import crash
from service.bootstrap import Service
from service.settings import load
from service.telemetry import configure_logging

STUCK_AFTER = 4.0


def main() -> int:
    configure_logging("info")
    crash.arm(os.environ.get(crash.VARIABLE))
    return Service(load(Path(sys.argv[1]), os.environ), stuck_after=STUCK_AFTER).run()


if __name__ == "__main__":
    sys.exit(main())
