"""The formats that simulated gateways speak, by name."""

from __future__ import annotations

from simulators.dialects.cfx import Cfx
from simulators.dialects.mapped import Mapped
from simulators.dialects.opcua import OpcUa
from simulators.dialects.sparkplug import Sparkplug
from simulators.dialects.values import OneByOne
from simulators.messages import Gateway, Speaker

SPEAKERS: dict[str, type[Speaker]] = {
    "native": Gateway,
    "mapped": Mapped,
    "values": OneByOne,
    "sparkplug": Sparkplug,
    "cfx": Cfx,
    "opcua": OpcUa,
}
