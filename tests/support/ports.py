"""Free loopback ports, with as little of a race as can be had.

A port that the kernel names as free may be an outgoing connection's a moment later. So these come from below
the range that outgoing connections use, at random (other test runs draw too), and no port is given twice.
"""

from __future__ import annotations

import random
import socket

_RANGE = range(20_000, 32_000)
_given: set[int] = set()


def free_port() -> int:
    for port in random.sample(_RANGE, len(_RANGE)):
        if port not in _given and _is_free(port):
            _given.add(port)
            return port
    raise RuntimeError(f"no free port from {_RANGE.start} to {_RANGE.stop - 1}")


def _is_free(port: int) -> bool:
    with socket.socket() as probe:
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
        return True
