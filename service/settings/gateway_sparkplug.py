"""A source that speaks Eclipse Sparkplug B: ``format = "sparkplug"``."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from service.domain.model import SECOND
from service.settings.checks import not_a_boolean
from service.settings.gateway import FORMAT, GatewaySection
from service.settings.gateway_values import ValueRule
from service.wire.sparkplug import SparkplugTranslator

Level = Annotated[
    str,
    Field(pattern=r"^[^/#\x00]{1,200}$", description="a pattern of one topic level such as {line}-gateway"),
]


class SparkplugSource(GatewaySection):
    """We are the host application ``host_id`` there: its client id unless given. ``reorder_seconds``: how
    long a message may be late before a node is asked to be born again."""

    format: Annotated[Literal["sparkplug"], FORMAT]
    host_id: Annotated[
        str | None, Field(pattern=r"^[^/+#\x00]{1,200}$", description="1 to 200 characters except / + #")
    ] = None
    group: Level = "+"
    node: Level = "+"
    device: Level = "+"
    reorder_seconds: Annotated[
        float, BeforeValidator(not_a_boolean), Field(ge=0, le=60, description="seconds from 0 to 60")
    ] = 2.0
    values: Annotated[tuple[ValueRule, ...], Field(min_length=1, alias="value")]

    def host_under(self, client_id: str) -> str | None:
        return self.host_id or client_id

    def translator(self, timezone: str) -> SparkplugTranslator:
        return SparkplugTranslator(
            self.name,
            [each.rule() for each in self.values],
            group=self.group,
            node=self.node,
            device=self.device,
            reorder=round(self.reorder_seconds * SECOND),
        )
