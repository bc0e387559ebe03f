"""``python -m simulators.leash MODULE ARG…``: runs a module that ends when whoever started it is gone.

The starter keeps our standard input open. When that closes, because it exited or was killed, this process
asks itself to end and insists after a moment: a demo leaves nothing behind, not even after ``kill -9``.
"""

from __future__ import annotations

import os
import runpy
import signal
import sys
import threading
import time

GRACE = 4.0
"""Seconds between asking and insisting."""


def _end_with_starter() -> None:
    while os.read(0, 4096):
        pass
    os.kill(os.getpid(), signal.SIGTERM)
    time.sleep(GRACE)
    os._exit(1)


def main() -> None:
    if len(sys.argv) < 2:
        sys.exit("usage: python -m simulators.leash MODULE [ARG…]")
    threading.Thread(target=_end_with_starter, name="leash", daemon=True).start()
    sys.argv = sys.argv[1:]
    runpy.run_module(sys.argv[0], run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    main()
