"""``make bench``: every figure from this one run on this machine, ours beside the ceiling."""

from __future__ import annotations

import argparse
from contextlib import nullcontext

from tests.bench.forecast import forecast_ratio
from tests.bench.ingest import Rates, compare
from tests.bench.latency import measure
from tests.support.postgres import shared_postgres


def main() -> None:
    parser = argparse.ArgumentParser(prog="make bench ARGS=")
    parser.add_argument("--messages", type=int, default=40_000)
    parser.add_argument("--seconds", type=int, default=20, help="of the latency measurement")
    options = parser.parse_args()
    print(f"Durable ingest of {options.messages} queued counts, 8 slots each (messages a second)")
    for name, stations, goal, store in (
        ("SQLite, 1,000 stations round robin", 1000, 0.25, None),
        ("SQLite, one station", 1, 0.5, None),
        ("PostgreSQL, 1,000 stations round robin", 1000, 0.12, "postgresql"),
    ):
        with nullcontext(_database() if store else None) as url:
            _print_rates(name, compare(options.messages, stations, url), goal)
    got = measure(options.seconds)
    print(
        f"From the due-making count to the receiver, at {got.rate:.0f} messages a second ({got.notices} notices)"
    )
    print(
        f"  p50 {got.p50 * 1e3:.1f} ms (goal 50)  p99 {got.p99 * 1e3:.1f} ms (goal 250)  worst {got.worst * 1e3:.1f} ms"
    )
    ratio = forecast_ratio()
    print("Panels to empty of 20,000 slots, three quantiles, in one call")
    print(
        f"  ours {ratio.ours:.3f} s, one bare betainc on the same 20,000 x 12 values {ratio.bare:.3f} s: {ratio.ours / ratio.bare:.1f} x"
    )


def _print_rates(name: str, rates: Rates, goal: float) -> None:
    print(
        f"  {name:40} bare {rates.bare:8.0f}  ours {rates.ours:8.0f}  ratio {rates.ratio:.2f} (goal {goal})",
        flush=True,
    )


def _database() -> str:
    from service.store import upgrade

    server = shared_postgres()
    url = server.url(server.create())
    upgrade(url)
    return url


if __name__ == "__main__":
    main()
