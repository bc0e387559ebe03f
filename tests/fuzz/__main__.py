"""``make fuzz``: each decoder in turn for so many seconds, guided by which branches of it were reached.

Needs the library of ``tests/fuzz/requirements.txt``. Exit 1: some bytes gave something else than a value or
the named error; the file with them is named."""

from __future__ import annotations

import argparse
import re
import subprocess
import sys
import tempfile
from importlib.util import find_spec
from pathlib import Path

from tests.fuzz.targets import TARGETS

LATEST = re.compile(r"#(\d+)\s.*?cov: (\d+) ft: (\d+) corp: (\d+)/")


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="make fuzz ARGS=")
    parser.add_argument("--seconds", type=int, default=60, help="for each target")
    parser.add_argument("--target", choices=tuple(TARGETS), action="append", help="all unless given")
    parser.add_argument("--corpus", type=Path, help="a folder whose inputs are kept from run to run")
    options = parser.parse_args(arguments)
    if find_spec("atheris") is None:
        print("the fuzzer isn't installed: .venv/bin/pip install -r tests/fuzz/requirements.txt")
        return 2
    home = options.corpus or Path(tempfile.mkdtemp(prefix="earlybell-fuzz-"))
    print(f"inputs in {home}, {options.seconds} s each", flush=True)
    return max(_fuzz(name, home / name, options.seconds) for name in options.target or TARGETS)


def _fuzz(name: str, corpus: Path, seconds: int) -> int:
    command = [sys.executable, "-m", "tests.fuzz.one", name, str(corpus), str(seconds)]
    ended = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)
    tries = re.search(r"stat::number_of_executed_units:\s*(\d+)", ended.stderr)
    reached = LATEST.findall(ended.stderr)
    figures = f"{int(tries.group(1)) if tries else 0:>10,} inputs"
    if reached:
        figures += f", {reached[-1][1]} branches reached, {reached[-1][3]} inputs kept"
    print(f"  {name:<12} {figures}   {'fine' if ended.returncode == 0 else 'BROKEN'}", flush=True)
    if ended.returncode != 0:
        print(ended.stdout[-2000:] + ended.stderr[-3000:], flush=True)
    return min(ended.returncode, 1) if ended.returncode >= 0 else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
