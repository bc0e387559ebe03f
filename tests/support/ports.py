"""Free loopback ports, with as little of a race as can be had.

A port that the kernel names as free may be an outgoing connection's a moment later. So these come from below
the range that outgoing connections use, at random (other runs draw too), and none is given twice in a row;
each worker has a range of its own, for a port may be meant to refuse for a while.
"""

from __future__ import annotations

import os
import random
import socket

_EACH = 3_000
_WORKER = int("0" + os.environ.get("PYTEST_XDIST_WORKER", "").removeprefix("gw")) % 4
_RANGE = range(20_000 + _WORKER * _EACH, 20_000 + (_WORKER + 1) * _EACH)
_given: set[int] = set()


def free_port() -> int:
    for _ in range(2):
        for port in random.sample(_RANGE, len(_RANGE)):
            if port not in _given and _is_free(port):
                _given.add(port)
                return port
        _given.clear()  # after so many the first ones are long at rest
    raise RuntimeError(f"no free port from {_RANGE.start} to {_RANGE.stop - 1}")


def _is_free(port: int) -> bool:
    with socket.socket() as probe:
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
        return True
