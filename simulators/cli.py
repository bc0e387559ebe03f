"""The options of ``simulate`` and ``demo``, and what they start."""

from __future__ import annotations

import argparse
import math
import signal
import sys
import threading
import unicodedata
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from types import FrameType

from simulators.compare import SPEED as COMPARE_SPEED
from simulators.compare import compare
from simulators.demo import SPEED
from simulators.demo import run as run_demo
from simulators.dialects import SPEAKERS
from simulators.publisher import open_publisher
from simulators.scenario import Scenario, ScenarioError, find_scenario, shipped
from simulators.uplink import Broker, PublishRefused

_NAME = "letters, digits, '.', '_' or '-', at most 64"


def simulate(arguments: Sequence[str]) -> int:
    """Publish a made-up plant as the arguments say; the exit code."""
    options = simulate_parser().parse_args(arguments)
    if options.show_source:
        print(SPEAKERS[options.speak].source.replace("ROOT", options.root), end="")
        return 0
    if options.compare:
        return _compare(options)
    stop = threading.Event()

    def end(number: int, frame: FrameType | None) -> None:
        stop.set()

    with ExitStack() as opened:
        for number in (signal.SIGINT, signal.SIGTERM):
            opened.callback(signal.signal, number, signal.signal(number, end))
        try:
            truth = options.ledger
            publisher = open_publisher(
                scenario_of(options),
                options.broker,
                speed=options.speed or 1.0,
                seed=options.seed,
                clock=options.clock,
                root=options.root,
                speak=options.speak,
                ledger=opened.enter_context(truth.open("w", encoding="utf-8")) if truth else None,
                report=_report,
            )
            publisher.run(stop, panels=options.panels, seconds=options.seconds, hours=options.hours)
        except (OSError, PublishRefused, ScenarioError) as error:
            _report(str(error))
            return 1
    _report(f"{publisher.acknowledged} messages acknowledged")
    return 1 if publisher.unacknowledged else 0


def _compare(options: argparse.Namespace) -> int:
    if options.speak != "native":
        _report("--compare is about what people do: its gateways speak native")
        return 1
    try:
        scenario = scenario_of(options)
    except ScenarioError as error:
        _report(str(error))
        return 1
    hours = None if math.isinf(options.hours) else options.hours
    speed = options.speed or COMPARE_SPEED
    if math.isinf(speed):
        _report("--compare needs a speed: people can't act on a warning in no time")
        return 1
    return compare(scenario, seed=options.seed, hours=hours, speed=speed, out=sys.stdout)


def demo(arguments: Sequence[str]) -> int:
    """Run the demo as the arguments say; the exit code."""
    options = demo_parser().parse_args(arguments)
    return run_demo(**vars(options))


def demo_parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="earlybell demo",
        description="A broker, the service, a made-up line and a receiver of warnings, until Ctrl-C.",
    )
    parser.add_argument(
        "--speed", type=_positive, default=SPEED, help=f"times real time (default: {SPEED:g})"
    )
    parser.add_argument("--seed", type=int, help="equal seeds give equal shifts (default: the scenario's)")
    parser.add_argument("--seconds", type=_positive, metavar="N", help="end by itself after N seconds")
    ports = parser.add_argument_group("ports on 127.0.0.1; a free one is taken instead of one in use")
    ports.add_argument("--broker-port", type=_port, default=1883, metavar="PORT", help="default: 1883")
    ports.add_argument("--web-port", type=_port, default=8080, metavar="PORT", help="default: 8080")
    ports.add_argument("--sink-port", type=_port, default=8090, metavar="PORT", help="default: 8090")
    return parser


def simulate_parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="earlybell simulate",
        description="Publishes the lines of a made-up plant to a broker until Ctrl-C. Its people go by the "
        "signal towers.",
    )
    parser.add_argument("--broker", type=_broker, default="mqtt://127.0.0.1:1883", metavar="URL")
    parser.add_argument("--root", default="floor", help="topic root, or group of Sparkplug (default: floor)")
    parser.add_argument(
        "--speak", choices=tuple(SPEAKERS), default="native", help="what the gateways speak (default: native)"
    )
    parser.add_argument(
        "--show-source",
        action="store_true",
        help="print the [[source]] of a configuration that understands them, and end",
    )
    parser.add_argument(
        "--scenario",
        default="demo",
        metavar="NAME_OR_FILE",
        help=f"a TOML file, or one of {', '.join(shipped())} (default: demo)",
    )
    parser.add_argument(
        "--line", type=_line, help=f"only this line; renames it where there is but one ({_NAME})"
    )
    parser.add_argument(
        "--speed",
        type=_speed,
        help=f"times real time, or 'max' (default: 1; {COMPARE_SPEED:g} with --compare)",
    )
    parser.add_argument(
        "--compare",
        action="store_true",
        help="run the shift with people who go by the towers alone, then with the bell (a broker, service "
        "and receiver of its own, at --speed), and print what both came to",
    )
    parser.add_argument("--seed", type=int, help="equal seeds give equal shifts (default: the scenario's)")
    parser.add_argument(
        "--clock",
        choices=("wall", "line"),
        default="wall",
        help="'at' by the wall clock, as if the line were that fast, or by the line's own (default: wall)",
    )
    end = parser.add_argument_group("when to end by itself")
    end.add_argument(
        "--panels", type=_positive, default=math.inf, metavar="N", help="N panels left the lines"
    )
    end.add_argument("--seconds", type=_positive, default=math.inf, metavar="N", help="N seconds passed")
    end.add_argument(
        "--hours", type=_positive, default=math.inf, metavar="N", help="N hours of the plant passed"
    )
    faults = parser.add_argument_group(
        "what goes wrong between the machines and the broker, instead of what the scenario says"
    )
    faults.add_argument("--duplicate", type=_share, metavar="P", help="share said twice")
    faults.add_argument("--reorder", type=_share, metavar="P", help="share that comes late")
    faults.add_argument("--reorder-window", type=_whole, metavar="N", help="by up to N messages")
    faults.add_argument("--lose", type=_share, metavar="P", help="share of counts never said")
    faults.add_argument(
        "--restart", type=_share, metavar="P", help="share of counts a gateway restarts before"
    )
    faults.add_argument(
        "--skew", type=float, metavar="SECONDS", help="how far the gateways' clocks are ahead"
    )
    parser.add_argument("--ledger", type=Path, metavar="FILE", help="write the truth there, as JSON lines")
    return parser


def scenario_of(options: argparse.Namespace) -> Scenario:
    """The scenario asked for, with the faults asked for in place of its own."""
    scenario = find_scenario(options.scenario)
    if options.line:
        scenario = scenario.with_line(options.line)
    wanted = {
        "repeat": options.duplicate,
        "reorder": options.reorder,
        "window": options.reorder_window,
        "lose": options.lose,
        "restart": options.restart,
        "skew": options.skew,
    }
    faults = {name: value for name, value in wanted.items() if value is not None}
    return replace(scenario, gateways=replace(scenario.gateways, **faults))


def _report(text: str) -> None:
    print(f"simulate: {text}", file=sys.stderr, flush=True)


def _broker(text: str) -> Broker:
    try:
        return Broker.of(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _line(text: str) -> str:
    name = unicodedata.normalize("NFC", text)
    if not 1 <= len(name) <= 64 or not all(each.isalnum() or each in "._-" for each in name):
        raise argparse.ArgumentTypeError(f"{text!r} is not a line name ({_NAME})")
    return name


def _speed(text: str) -> float:
    return math.inf if text == "max" else _positive(text)


def _positive(text: str) -> float:
    value = float(text)
    if not 0 < value < math.inf:
        raise argparse.ArgumentTypeError(f"{text} is not above 0")
    return value


def _whole(text: str) -> int:
    value = int(text)
    if value < 1:
        raise argparse.ArgumentTypeError(f"{text} is not at least 1")
    return value


def _port(text: str) -> int:
    value = int(text)
    if not 0 <= value <= 65534:
        raise argparse.ArgumentTypeError(f"{text} is not a port")
    return value


def _share(text: str) -> float:
    value = float(text)
    if not 0 <= value <= 1:
        raise argparse.ArgumentTypeError(f"{text} is not between 0 and 1")
    return value
