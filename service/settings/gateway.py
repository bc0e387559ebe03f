"""Where gateways are heard, as configured: what is common to every ``[[source]]``, and those of our own
contract."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import Annotated, Literal, Self

from pydantic import Field, SecretStr, model_validator

from service.settings.checks import check_address, check_protocol
from service.settings.kinds import File, Section, Text, Topic, Whole
from service.wire.gateway import Translator
from service.wire.own import NativeTranslator

FORMAT = Field(description='"native", "mapped", "sparkplug", "cfx" or "opcua"')
Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,32}$", description="1 to 32 letters, digits, _ or -")]
Filter = Annotated[
    str,
    Field(pattern=r"^[^\x00]{1,200}$", description="an MQTT topic filter such as plant/+/counters"),
]


class GatewaySection(Section, ABC):
    """What isn't said of the broker is as in ``[mqtt]``. ``trial``: its messages count nowhere, it is only
    shown what they would have counted. ``silent_after``: seconds; left out, its silence alone is no news."""

    name: Name
    url: Annotated[
        str | None,
        check_address("mqtt", "mqtts", hint="put user and password in username and password"),
        Field(description="mqtt:// or mqtts://, a host, and :port unless it is 1883 or 8883"),
    ] = None
    client_id: Annotated[
        str | None, Field(pattern=r"^[A-Za-z0-9._-]{1,64}$", description="1 to 64 letters, digits, ., _ or -")
    ] = None
    username: Text | None = None
    password: Annotated[SecretStr | None, Field(description="text")] = None
    ca_file: File | None = None
    cert_file: File | None = None
    key_file: File | None = None
    protocol: Annotated[
        Whole | None, Field(ge=3, le=5, description="5, or 3 for MQTT 3.1.1"), check_protocol
    ] = None
    trial: Annotated[bool, Field(description="true or false")] = False
    silent_after: Annotated[Whole | None, Field(ge=10, le=86_400, description="seconds from 10 to 86400")] = (
        None
    )

    def host_under(self, client_id: str) -> str | None:
        """The Sparkplug host application that we are there under this client id; ``None``: we're none."""
        return None

    @property
    def roots(self) -> tuple[str, ...]:
        """Those of topics that nobody but this source may hear: who else does counts them too."""
        return ()

    @model_validator(mode="after")
    def _can_be_used(self) -> Self:
        self.translator("UTC")
        return self

    @abstractmethod
    def translator(self, timezone: str) -> Translator:
        """What turns its messages into ours; ``timezone`` is the site's. ``ValueError`` says what in the
        rules can't be used."""


class NativeSource(GatewaySection):
    format: Annotated[Literal["native"], FORMAT]
    root: Topic = "floor"

    @property
    def roots(self) -> tuple[str, ...]:
        return (self.root,)

    def translator(self, timezone: str) -> Translator:
        return NativeTranslator(self.root)
