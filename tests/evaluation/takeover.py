"""How long nobody is in charge when the instance in charge fails, and that it costs nothing but that time.

``python -m tests.evaluation.takeover --rounds 50 --store postgresql``: two programs, a real broker and store,
and in each round a ``kill -9``, a pause, a cut off the store (PostgreSQL) or a clean stop, while counts keep
coming. Prints the seconds until the other is ready, and judges by the plant's own books."""

from __future__ import annotations

import argparse
import random
import tempfile
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path

from tests.acceptance.test_in_charge import STORES
from tests.support.mosquitto import start_mosquitto
from tests.support.pair import Pair, must_have_had_one_writer_at_a_time, rows

LONG_PAUSE = 60.0


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.evaluation.takeover")
    parser.add_argument("--rounds", type=int, default=50)
    parser.add_argument("--store", choices=list(STORES), default="postgresql")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        broker = start_mosquitto(folder / "broker")
        stack.callback(broker.remove)
        pair = STORES[options.store](folder, broker, stack)
        stack.callback(pair.close)
        pair.begin()
        took = run(pair, options.rounds, random.Random(options.seed))
        pair.must_agree()
        told = len(pair.hook.received.all())
        (deliveries,) = rows(pair.store, "SELECT count(*) FROM outbox")[0]
        (terms,) = rows(pair.store, "SELECT max(term) FROM journal")[0]
    print(
        f"{options.store}, {options.rounds} rounds, {terms} terms: never two writers, nothing lost or doubled"
    )
    print(f"{deliveries} deliveries, received {told} times, each change under one id")
    for kind, seconds in took.items():
        print(summary(kind, seconds))
    print(summary("all but clean stops", [each for kind in took if kind != "stop" for each in took[kind]]))


def run(pair: Pair, rounds: int, chance: random.Random) -> Mapping[str, Sequence[float | None]]:
    faults: dict[str, Callable[[], float | None]] = {
        "kill": pair.kill,
        "pause": pair.pause,
        "stop": pair.stop,
    }
    if pair.store.startswith("postgresql"):
        faults["cut"] = pair.cut
    took: dict[str, list[float | None]] = {kind: [] for kind in faults}
    for number in range(1, rounds + 1):
        pair.ring()
        pair.publish(chance.randrange(1, 20))
        kind = list(faults)[number % len(faults)]
        long = kind == "pause" and not took["pause"]
        seconds = pair.pause(at_least=LONG_PAUSE) if long else faults[kind]()
        took[kind].append(seconds)
        pair.note_splice(10)
        for plant in (pair.other, pair.active):
            answer = pair.splice(plant, 10, f"round {number}")
            assert answer.is_success, answer.text
        must_have_had_one_writer_at_a_time(pair.store)
        print(f"{number:3} {kind:6} {'held the file' if seconds is None else f'{seconds:.2f} s'}", flush=True)
    return took


def summary(kind: str, seconds: Sequence[float | None]) -> str:
    known = sorted(each for each in seconds if each is not None)
    if not known:
        return f"{kind}: none"
    p50, p95 = (known[min(len(known) - 1, int(share * len(known)))] for share in (0.5, 0.95))
    held = len(seconds) - len(known)
    more = f", {held} held the file while paused" if held else ""
    return f"{kind}: {len(known)} takeovers, p50 {p50:.1f} s, p95 {p95:.1f} s, max {known[-1]:.1f} s{more}"


if __name__ == "__main__":
    main()
