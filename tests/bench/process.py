"""What a running program takes: work of its processor, memory. Linux's own books (proc(5))."""

from __future__ import annotations

import os
from pathlib import Path

_TICK = 1.0 / os.sysconf("SC_CLK_TCK")


def work(pid: int) -> float:
    """Seconds that its threads have worked, in the program and for it in the kernel."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) * _TICK


def memory(pid: int) -> tuple[float, float]:
    """MB that are resident now, and the most that ever were."""
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    sizes = {name: rest for name, _, rest in (line.partition(":") for line in lines)}
    now, most = (int(sizes[name].split()[0]) / 1024 for name in ("VmRSS", "VmHWM"))
    return now, most
