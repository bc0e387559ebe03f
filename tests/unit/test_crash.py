"""The points where a test may have the program end: off, on at the pass that was named, nowhere else."""

from __future__ import annotations

import subprocess
import sys

import pytest

from service import crash

PASSES = """
import sys
from service import crash
crash.arm(sys.argv[1])
for number in range(1, 4):
    crash.point("here")
    print("passed", number)
"""


def passing(at: str) -> subprocess.CompletedProcess:
    command = [sys.executable, "-c", PASSES, at]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


@pytest.fixture(autouse=True)
def disarmed():
    yield
    crash.arm(None)


@pytest.mark.parametrize("at", ["", "elsewhere:1", "here:4"])
def test_a_point_that_nobody_named_lets_all_pass(at):
    crash.arm(at)

    for _ in range(3):
        crash.point("here")


@pytest.mark.parametrize("at", ["here:2", "here:2:exit"])
def test_the_named_pass_ends_the_process_as_a_kill_does(at):
    ended = passing(at)

    assert ended.returncode == 137
    assert "passed 2" not in ended.stdout


def test_the_named_pass_may_fail_instead_and_only_once():
    crash.arm("here:2:raise")
    crash.point("here")
    with pytest.raises(crash.Crashed, match="here"):
        crash.point("here")
    crash.point("here")


@pytest.mark.parametrize("at", ["here", "here:0", "here:x", "here:1:jump", ":1", "here:1:raise:2"])
def test_a_point_that_cannot_be_read_says_how_it_is_written(at):
    with pytest.raises(ValueError, match="write name:n or name:n:how"):
        crash.arm(at)
