"""How the interpreter is set, in a process of its own: what is set can't be taken back."""

from __future__ import annotations

import subprocess
import sys

import pytest

COUNTED = """
import ctypes, sys, threading
from service import runtime
runtime.be_sparing(dict(each.split("=") for each in sys.argv[1:]))
together = threading.Barrier(6)
def work():
    together.wait()
    libc.malloc(10_000)
    together.wait()
libc = ctypes.CDLL(None)
libc.malloc.restype = libc.fdopen.restype = ctypes.c_void_p
threads = [threading.Thread(target=work) for _ in range(6)]
[each.start() for each in threads]
[each.join() for each in threads]
out = ctypes.c_void_p(libc.fdopen(1, b"w"))
libc.malloc_info(0, out)
libc.fflush(out)
"""
"""Six threads take memory at once; the heap is described, an element for each arena (``malloc_info``)."""


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="of glibc")
@pytest.mark.parametrize(("environment", "sparing"), [([], True), (["MALLOC_ARENA_MAX=8"], False)])
def test_threads_share_two_arenas_unless_the_environment_says_otherwise(environment, sparing):
    said = subprocess.run(
        [sys.executable, "-c", COUNTED, *environment], capture_output=True, text=True, check=True
    ).stdout
    assert (1 <= said.count("<heap nr=") <= 2) is sparing, said
