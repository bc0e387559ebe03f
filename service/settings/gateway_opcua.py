"""A source that speaks OPC UA PubSub in JSON: ``format = "opcua"``."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from service.settings.gateway import FORMAT, Filter, GatewaySection
from service.settings.gateway_values import ValueRule
from service.wire.opcua import OpcUaTranslator, Places

Named = Annotated[
    str, Field(pattern=r"^[^\x00]{1,200}$", description="a pattern of a name such as {line}-gateway")
]


class OpcUaSource(GatewaySection):
    """``topics``, ``publisher`` (its id), ``group`` and ``writer`` (their names) are patterns; who doesn't
    fit one isn't meant. ``writers``: what a writer is called that has but a number. ``keep_alive``: seconds
    between the keep-alive messages of a writer, as configured there; left out, 150."""

    format: Annotated[Literal["opcua"], FORMAT]
    topics: Annotated[tuple[Filter, ...], Field(min_length=1)] = ("opcua/json/#",)
    publisher: Named | None = None
    group: Named | None = None
    writer: Named | None = None
    writers: dict[str, str] = Field(default={})
    fixed: dict[str, str] = Field(default={})
    keep_alive: Annotated[float | None, Field(gt=0, le=3600, description="seconds up to 3600")] = None
    values: Annotated[tuple[ValueRule, ...], Field(min_length=1, alias="value")]

    def translator(self, timezone: str) -> OpcUaTranslator:
        places = Places(
            topics=self.topics,
            publisher=self.publisher,
            group=self.group,
            writer=self.writer,
            writers=self.writers,
            fixed=self.fixed,
        )
        rules = [each.rule() for each in self.values]
        return OpcUaTranslator(self.name, rules, places=places, keep_alive=self.keep_alive)
