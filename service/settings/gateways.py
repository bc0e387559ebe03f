"""The kinds of ``[[source]]``."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from service.settings.gateway import NativeSource
from service.settings.gateway_cfx import CfxSource
from service.settings.gateway_mapped import MappedSource
from service.settings.gateway_opcua import OpcUaSource
from service.settings.gateway_sparkplug import SparkplugSource

Source = Annotated[
    NativeSource | CfxSource | MappedSource | OpcUaSource | SparkplugSource, Field(discriminator="format")
]
"""Each format adds its own, told apart by ``format``."""
