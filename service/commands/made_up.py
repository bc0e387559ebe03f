"""The commands that start the simulators: ``simulate``, ``demo``. They take words of their own."""

from __future__ import annotations

import argparse
from pathlib import Path
from urllib.parse import quote

from service.commands.common import Adding
from service.settings import Mqtt, load
from simulators import cli


def add(commands: Adding, common: argparse.ArgumentParser) -> None:
    for name, run, what in (
        ("simulate", _simulate, "a made-up line that publishes to a broker (simulate --help)"),
        ("demo", _demo, "broker, service, simulator and receiver in one (demo --help)"),
    ):
        command = commands.add_parser(name, add_help=False, help=what)
        command.add_argument("--config", type=Path, metavar="FILE")
        command.set_defaults(run=run)


def _simulate(known: argparse.Namespace) -> int:
    """Words of its own win over what the configuration says of the broker and the account there."""
    said: list[str] = []
    if known.config is not None:
        mqtt = load(known.config, known.environment).mqtt
        scheme = "mqtts" if mqtt.tls else "mqtt"
        said = ["--broker", f"{scheme}://{_login(mqtt)}{mqtt.host}:{mqtt.port}", "--root", mqtt.floor_root]
    return cli.simulate([*said, *known.rest])


def _login(mqtt: Mqtt) -> str:
    """The account as it stands in an address, where there is one."""
    if mqtt.username is None:
        return ""
    password = mqtt.password.get_secret_value() if mqtt.password else ""
    return f"{quote(mqtt.username, safe='')}:{quote(password, safe='')}@"


def _demo(known: argparse.Namespace) -> int:
    """The demo brings its own everything; a configuration only says which ports it would like."""
    said: list[str] = []
    if known.config is not None:
        settings = load(known.config, known.environment)
        said = ["--broker-port", str(settings.mqtt.port), "--web-port", str(settings.web.port)]
    return cli.demo([*said, *known.rest])
