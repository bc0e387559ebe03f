"""``make bench``: every figure from this one run on this machine, ours beside the ceiling."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from os import getloadavg

from service.store import upgrade
from tests.bench.forecast import SLOTS, count_seconds, forecast_ratio
from tests.bench.formats import format_seconds
from tests.bench.ingest import compare
from tests.bench.latency import Latency, measure
from tests.bench.many import FEW, MANY, known
from tests.bench.plans import BOUNDARIES, REELS, TRAYS, WINDOWS, plan_seconds
from tests.bench.replay import HOURS, replay_seconds
from tests.bench.shards import report as shards_report
from tests.bench.sweeps import SETTINGS, sweep_seconds
from tests.support.postgres import shared_postgres

PAGES = 200


def main() -> None:
    parser = argparse.ArgumentParser(prog="make bench ARGS=")
    parser.add_argument("--messages", type=int, default=40_000, help="of each ingest measurement")
    parser.add_argument("--seconds", type=int, default=20, help="of the latency measurement")
    parser.add_argument("--only", default=",".join(_PARTS), help="of " + ",".join(_PARTS))
    options = parser.parse_args()
    chosen = options.only.split(",")
    if unknown := set(chosen) - set(_PARTS):
        parser.error(f"no such part: {', '.join(sorted(unknown))}")
    for name in chosen:
        _PARTS[name](options)


def _durable(options: argparse.Namespace) -> None:
    messages = options.messages
    _say(f"Durable ingest of {messages} queued counts, 8 slots each, in messages a second;")
    _say("bare: a paho subscriber with manual acknowledgement that only counts, on the same stream")
    _ingest("SQLite, 1,000 stations round robin", messages, 1000, None, goal=0.25)
    _ingest("SQLite, one station", messages, 1, None, goal=0.5)
    _ingest("PostgreSQL, 1,000 stations round robin", messages, 1000, _database(), goal=0.12)


def _ingest(name: str, messages: int, stations: int, store: str | None, *, goal: float) -> None:
    rates = compare(messages, stations, store)
    figures = f"bare {rates.bare:7.0f}   ours {rates.ours:7.0f}   ratio {rates.ratio:.2f} (goal {goal})"
    _say(f"  {name:40}{figures}")


def _formats(_options: argparse.Namespace) -> None:
    _say("Messages of each format in our own words, and those read, beside bare decoding, in us a message")
    for name, took in format_seconds().items():
        bare, translated, read = (each * 1e6 for each in (took.bare, took.translated, took.read))
        times = f"bare {bare:5.2f}   translated {translated:6.1f}   and read {read:6.1f}"
        _say(f"  {name:10}{times}   ratios {translated / bare:5.1f} and {read / bare:5.1f}")


def _latency(options: argparse.Namespace) -> None:
    _say("From the count that makes a slot due to the receiver's socket")
    _wait(measure(options.seconds), 0)


def _pages(options: argparse.Namespace) -> None:
    _say(f"The same with {PAGES} live pages that read the whole stream")
    _wait(measure(options.seconds, pages=PAGES), PAGES)


def _wait(got: Latency, pages: int) -> None:
    p50, p99, worst = (f"{wait * 1e3:.0f} ms" for wait in (got.p50, got.p99, got.worst))
    _say(f"  p50 {p50} (goal 50)   p99 {p99} (goal 250)   worst {worst} of {got.notices}")
    told = f"   {got.events} events told" if pages else ""
    _say(f"  {got.rate:.0f} messages a second, {got.work:.0%} of one processor{told}")


def _many(options: argparse.Namespace) -> None:
    few, many = known(FEW, options.messages // 4), known(MANY, options.messages // 4)
    _say(f"{MANY} slots known, 100 a station, ten stations a line; SQLite")
    _say(f"  start until ready {many.start:.1f} s (goal 5), beside {few.start:.1f} s with {FEW} slots")
    resident = f"{many.resident:.0f} MB (goal 400), at most {many.most:.0f}"
    _say(f"  resident {resident}; with {FEW} slots {few.resident:.0f}")
    for what, took in many.queries.items():
        beside = f"{few.queries[what] * 1e3:.0f} with {FEW}"
        _say(f"  a page asks for {what:16}{took * 1e3:6.0f} ms (goal 50), {beside}")
    ratio = f"ratio {many.count / few.count:.2f} (goal: flat)"
    _say(f"  a count of 8 slots {many.count * 1e6:.0f} us beside {few.count * 1e6:.0f} us   {ratio}")


def _forecast(_options: argparse.Namespace) -> None:
    took = forecast_ratio()
    _say(f"{SLOTS} slots in one call; one bare betainc over the same {SLOTS} x 12 values: {took.bare:.3f} s")
    for name, ours in (("panels to empty, three quantiles", took.quantiles), ("chance due", took.chances)):
        _say(f"  {name:40}{ours:.3f} s   ratio {ours / took.bare:.1f} (goal 3)")
    few, many = count_seconds(25), count_seconds(2500)
    _say("One count of 8 slots, with 20,000 slots known beside 200")
    _say(f"  {many * 1e6:.0f} us beside {few * 1e6:.0f} us   ratio {many / few:.2f}")


def _plans(_options: argparse.Namespace) -> None:
    took = plan_seconds()
    _say(f"Plans: {WINDOWS} windows over 5,000 panels, {WINDOWS} jobs (goal 0.050 s each)")
    _say(f"  fewest stops {took.stops:.3f} s   in turn {took.jobs:.3f} s   can it be done {took.bound:.3f} s")
    _say(f"  cheapest stops, {WINDOWS} windows over {BOUNDARIES} panels: {took.cheapest:.3f} s")
    _say(f"  a line of {TRAYS} trays and {REELS} reels, 200 panels ahead: {took.line * 1e3:.0f} ms")


def _sweeps(_options: argparse.Namespace) -> None:
    messages, took = sweep_seconds()
    one, two, load = took[1], took[2], getloadavg()[0]
    _say(f"{SETTINGS} settings on a recording of {messages} messages, by one and by two (load {load:.1f})")
    _say(f"  on the wall {one.wall:.1f} and {two.wall:.1f} s   ratio {one.wall / two.wall:.2f} (goal 1.7)")
    worked = f"{one.busiest:.1f} and {two.busiest:.1f} s   ratio {one.busiest / two.busiest:.2f} (goal 1.7)"
    _say(f"  work of the busiest {worked}")


def _replay(_options: argparse.Namespace) -> None:
    took = replay_seconds()
    _say(f"A shift of {HOURS:g} hours of four lines, {took.lines} lines, replayed into SQLite (goal 8 s)")
    ratio = f"{took.ours / took.bare:.0f} times bare decoding ({took.bare:.3f} s)"
    _say(f"  {took.ours:.1f} s   {took.rate:.0f} messages a second   {ratio}")


def _shards(options: argparse.Namespace) -> None:
    for line in shards_report(options.messages):
        _say(line)


def _database() -> str:
    server = shared_postgres()
    url = server.url(server.create())
    upgrade(url)
    return url


def _say(text: str) -> None:
    print(text, flush=True)


_PARTS: dict[str, Callable[[argparse.Namespace], None]] = {
    "ingest": _durable,
    "latency": _latency,
    "pages": _pages,
    "many": _many,
    "formats": _formats,
    "forecast": _forecast,
    "plans": _plans,
    "replay": _replay,
    "sweeps": _sweeps,
    "shards": _shards,
}

if __name__ == "__main__":
    main()
