"""``make bench``: every figure from this one run on this machine, ours beside the ceiling."""

from __future__ import annotations

import argparse
from os import getloadavg

from service.store import upgrade
from tests.bench.forecast import SLOTS, count_seconds, forecast_ratio
from tests.bench.formats import format_seconds
from tests.bench.ingest import compare
from tests.bench.latency import measure
from tests.bench.plans import BOUNDARIES, REELS, TRAYS, WINDOWS, plan_seconds
from tests.bench.replay import HOURS, replay_seconds
from tests.bench.sweeps import SETTINGS, sweep_seconds
from tests.support.postgres import shared_postgres


def main() -> None:
    parser = argparse.ArgumentParser(prog="make bench ARGS=")
    parser.add_argument("--messages", type=int, default=40_000, help="of each ingest measurement")
    parser.add_argument("--seconds", type=int, default=20, help="of the latency measurement")
    options = parser.parse_args()
    _say(f"Durable ingest of {options.messages} queued counts, 8 slots each, in messages a second;")
    _say("bare: a paho subscriber with manual acknowledgement that only counts, on the same stream")
    _ingest("SQLite, 1,000 stations round robin", options.messages, 1000, None, goal=0.25)
    _ingest("SQLite, one station", options.messages, 1, None, goal=0.5)
    _ingest("PostgreSQL, 1,000 stations round robin", options.messages, 1000, _database(), goal=0.12)
    _formats()
    _latency(options.seconds)
    _forecast()
    _plans()
    _replay()
    _sweeps()


def _ingest(name: str, messages: int, stations: int, store: str | None, *, goal: float) -> None:
    rates = compare(messages, stations, store)
    figures = f"bare {rates.bare:7.0f}   ours {rates.ours:7.0f}   ratio {rates.ratio:.2f} (goal {goal})"
    _say(f"  {name:40}{figures}")


def _formats() -> None:
    _say("Messages of each format in our own words, and those read, beside bare decoding, in us a message")
    for name, took in format_seconds().items():
        bare, translated, read = (each * 1e6 for each in (took.bare, took.translated, took.read))
        times = f"bare {bare:5.2f}   translated {translated:6.1f}   and read {read:6.1f}"
        _say(f"  {name:10}{times}   ratios {translated / bare:5.1f} and {read / bare:5.1f}")


def _latency(seconds: int) -> None:
    got = measure(seconds)
    _say(f"From the count that makes a slot due to the receiver, {got.rate:.0f} messages a second coming in")
    p50, p99, worst = (f"{wait * 1e3:.0f} ms" for wait in (got.p50, got.p99, got.worst))
    _say(f"  p50 {p50} (goal 50)   p99 {p99} (goal 250)   worst {worst} of {got.notices}")


def _forecast() -> None:
    took = forecast_ratio()
    _say(f"{SLOTS} slots in one call; one bare betainc over the same {SLOTS} x 12 values: {took.bare:.3f} s")
    for name, ours in (("panels to empty, three quantiles", took.quantiles), ("chance due", took.chances)):
        _say(f"  {name:40}{ours:.3f} s   ratio {ours / took.bare:.1f} (goal 3)")
    few, many = count_seconds(25), count_seconds(2500)
    _say("One count of 8 slots, with 20,000 slots known beside 200")
    _say(f"  {many * 1e6:.0f} us beside {few * 1e6:.0f} us   ratio {many / few:.2f}")


def _plans() -> None:
    took = plan_seconds()
    _say(f"Plans: {WINDOWS} windows over 5,000 panels, {WINDOWS} jobs (goal 0.050 s each)")
    _say(f"  fewest stops {took.stops:.3f} s   in turn {took.jobs:.3f} s   can it be done {took.bound:.3f} s")
    _say(f"  cheapest stops, {WINDOWS} windows over {BOUNDARIES} panels: {took.cheapest:.3f} s")
    _say(f"  a line of {TRAYS} trays and {REELS} reels, 200 panels ahead: {took.line * 1e3:.0f} ms")


def _sweeps() -> None:
    messages, took = sweep_seconds()
    one, two, load = took[1], took[2], getloadavg()[0]
    _say(f"{SETTINGS} settings on a recording of {messages} messages, by one and by two (load {load:.1f})")
    _say(f"  on the wall {one.wall:.1f} and {two.wall:.1f} s   ratio {one.wall / two.wall:.2f} (goal 1.7)")
    worked = f"{one.busiest:.1f} and {two.busiest:.1f} s   ratio {one.busiest / two.busiest:.2f} (goal 1.7)"
    _say(f"  work of the busiest {worked}")


def _replay() -> None:
    took = replay_seconds()
    _say(f"A shift of {HOURS:g} hours of four lines, {took.lines} lines, replayed into SQLite (goal 8 s)")
    ratio = f"{took.ours / took.bare:.0f} times bare decoding ({took.bare:.3f} s)"
    _say(f"  {took.ours:.1f} s   {took.rate:.0f} messages a second   {ratio}")


def _database() -> str:
    server = shared_postgres()
    url = server.url(server.create())
    upgrade(url)
    return url


def _say(text: str) -> None:
    print(text, flush=True)


if __name__ == "__main__":
    main()
