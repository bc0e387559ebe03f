"""One target under the fuzzer, in a process of its own: the fuzzer ends the process when its time is up.

``python -m tests.fuzz.one TARGET CORPUS SECONDS``; what the branches of our own code are is found by
instrumenting it as it is imported."""

from __future__ import annotations

import importlib
import json
import re
import sys
from pathlib import Path
from typing import Any

# Not a dependency: whoever fuzzes installs it.
atheris: Any = importlib.import_module("atheris")

with atheris.instrument_imports(include=["service", "tomllib"], enable_loader_override=False):
    from tests.fuzz.targets import TARGETS

_WORD = re.compile(rb"[A-Za-z_]{3,}|\[\[\w+\]\]|[{}\[\]:,\"]+")


def main(name: str, corpus: Path, seconds: int) -> None:
    target = TARGETS[name]
    corpus.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(target.seeds):
        (corpus / f"seed{number}").write_bytes(seed)
    words = sorted({word for seed in target.seeds for word in _WORD.findall(seed)})
    dictionary = corpus.with_suffix(".dict")
    dictionary.write_text("".join(f"{json.dumps(word.decode())}\n" for word in words), encoding="utf-8")
    options = [
        f"-max_total_time={seconds}",
        f"-dict={dictionary}",
        f"-artifact_prefix={corpus.parent}/{name}-",
        "-max_len=16384",
        "-timeout=10",
        "-print_final_stats=1",
    ]
    atheris.Setup([sys.argv[0], *options, str(corpus)], target.feed)
    atheris.Fuzz()


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), int(sys.argv[3]))
