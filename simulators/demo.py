"""The whole thing in one command: a broker, the service, a simulated plant at speed, and a receiver that
prints. The people of the plant act on the warnings that reach the receiver, so what you see is the bell at
work: told, taken, refilled, closed.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Sequence
from functools import partial
from typing import TextIO

from simulators.scenario import Scenario, load_scenario, shipped
from simulators.show import SERVICE, Show, ShowError, open_show, until_stopped

SPEED = 15.0


def run(
    *,
    broker_port: int = 1883,
    web_port: int = 8080,
    sink_port: int = 8090,
    speed: float = SPEED,
    seed: int | None = None,
    seconds: float | None = None,
    out: TextIO | None = None,
    service: Sequence[str] = SERVICE,
) -> int:
    """Run until Ctrl-C or SIGTERM, or for ``seconds``; 0, or 1 with the reason when a part fails.

    Ports that are taken are replaced by free ones. ``service`` is the module run as the service.
    """
    out = out or sys.stdout
    with until_stopped() as stop:
        try:
            _play(stop, (broker_port, web_port, sink_port), speed, seed, seconds, out, service)
        except ShowError as error:
            _say(out, f"The demo ends: {error}")
            return 1
        except BrokenPipeError:
            return 0
    return 0


def _play(
    stop: threading.Event,
    wanted: tuple[int, int, int],
    speed: float,
    seed: int | None,
    seconds: float | None,
    out: TextIO,
    service: Sequence[str],
) -> None:
    scenario = load_scenario(shipped()["demo"])
    report = partial(_report, out, scenario.plant)
    with open_show(
        scenario,
        stop,
        ports=wanted,
        speed=speed,
        seed=seed,
        settings={"plan": _hands(scenario, speed)},
        out=out,
        service=service,
        report=report,
    ) as show:
        _say(out, _welcome(show, scenario, speed))
        show.begin()
        show.watch(seconds=seconds)
    _say(out, f"\nHeard {len(show.sink.warnings)} messages by webhook and {len(show.sink.chats)} by chat.")


def _hands(scenario: Scenario, speed: float) -> dict[str, float]:
    """What a plan reckons with, as fast as everything else: an exchange of a minute, a stop of two, one for a
    missing supply of ten."""
    minute = max(1.0, 60 / speed)
    return {
        "people": len(scenario.people.names),
        "exchange_seconds": minute,
        "splice_seconds": minute,
        "stop_minutes": 2 / speed,
        "late_minutes": 10 / speed,
    }


def _report(out: TextIO, plant: str, text: str) -> None:
    _say(out, f"{plant}: {text}")


def _welcome(show: Show, scenario: Scenario, speed: float) -> str:
    lines = "Line " + ", ".join(each.line for each in scenario.lines)
    return (
        f"{lines} of {scenario.plant} (made up) runs at {speed:g} times its real speed.\n"
        f"  page      {show.page}/\n"
        f"  broker    {show.broker_url} (MQTT 5; 3.1.1 on port {show.broker_port_v3})\n"
        f"  receiver  {show.sink.url}/warnings (prints each warning below)\n"
        "Ctrl-C ends it all and leaves nothing behind.\n"
    )


def _say(out: TextIO, text: str) -> None:
    print(text, file=out, flush=True)
