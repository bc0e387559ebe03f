"""The stage of the demo: a broker and the service as child processes, configured to find one another."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from simulators.processes import Child, ask

_BROKER = """id = 0

[router]
id = 0
max_connections = 100
max_outgoing_packet_count = 200
max_segment_size = 16777216
max_segment_count = 10
"""
_LISTENER = """
[{protocol}.1]
name = "{protocol}"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1

[{protocol}.1.connections]
connection_timeout_ms = 60000
max_payload_size = 2097152
max_inflight_count = 100
"""
_OUTLETS = """[[outlet]]
name = "receiver"
type = "webhook"
url = "{sink}/warnings"
secret = "{secret}"

[[outlet]]
name = "chat"
type = "chat"
url = "{sink}/chat"
"""


def start_broker(folder: Path, v5: int, v3: int) -> Child:
    """A broker that speaks MQTT 5 on one port and 3.1.1 on the other: it can't do both on one."""
    config = folder / "broker.toml"
    listeners = (_LISTENER.format(protocol=name, port=port) for name, port in (("v5", v5), ("v4", v3)))
    config.write_text(_BROKER + "".join(listeners))
    # At any more talkative level it writes an error for every packet.
    module = ("iotcore", "--config", str(config), "--log-level", "CRITICAL")
    return Child("broker", module, log=folder / "broker.log", env=_environment())


def start_service(
    folder: Path,
    service: Sequence[str],
    sink: str,
    secret: str,
    broker_url: str,
    web_port: int,
    settings: Mapping[str, object],
) -> Child:
    """The service with two outlets to ``sink``. ``settings`` are tables of its configuration, as TOML gives
    them."""
    config = folder / "earlybell.toml"
    config.touch(mode=0o600)
    config.write_text(_OUTLETS.format(sink=sink, secret=secret))
    environment = _environment() | {
        "EARLYBELL_MQTT__URL": broker_url,
        "EARLYBELL_STORE__URL": f"sqlite:///{folder / 'earlybell.db'}",
        "EARLYBELL_WEB__HOST": "127.0.0.1",
        "EARLYBELL_WEB__PORT": str(web_port),
    }
    environment |= dict(_variables(settings))
    module = (*service, "--config", str(config))
    return Child("service", module, log=folder / "service.log", env=environment)


def _variables(settings: Mapping[str, object]) -> Iterator[tuple[str, str]]:
    """Tables of the configuration as environment variables: a list of tables goes as JSON."""
    for section, value in settings.items():
        if isinstance(value, Mapping):
            for key, each in value.items():
                yield (
                    f"EARLYBELL_{section}__{key}".upper(),
                    each if isinstance(each, str) else json.dumps(each),
                )
        else:
            yield f"EARLYBELL_{section}".upper(), json.dumps(value)


def _environment() -> dict[str, str]:
    """Ours without settings meant for another Earlybell on this machine."""
    return {name: value for name, value in os.environ.items() if not name.startswith("EARLYBELL_")}


def answers(url: str) -> bool:
    """Whether a GET is answered with 200."""
    try:
        return ask(url) == 200
    except OSError:
        return False
