"""The plant's broker, as configured, and others as seen from it."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import SplitResult, urlsplit

from pydantic import Field, SecretStr, model_validator

from service.settings.checks import check_address, check_protocol
from service.settings.gateways import Source
from service.settings.kinds import File, Section, Text, Topic, Whole

_FOR_TLS = {"ca_file", "cert_file", "key_file"}
_WHO_WE_ARE = {"username", "password", "cert_file", "key_file"}


class Mqtt(Section):
    url: Annotated[
        str,
        check_address("mqtt", "mqtts", hint="put user and password in mqtt.username and mqtt.password"),
        Field(description="mqtt:// or mqtts://, a host, and :port unless it is 1883 or 8883"),
    ] = "mqtt://127.0.0.1:1883"
    client_id: Annotated[
        str, Field(pattern=r"^[A-Za-z0-9._-]{1,64}$", description="1 to 64 letters, digits, ., _ or -")
    ] = "earlybell"
    username: Text | None = None
    password: Annotated[SecretStr | None, Field(description="text")] = None
    floor_root: Topic = "floor"
    out_root: Topic = "earlybell"
    ca_file: File | None = None
    cert_file: File | None = None
    key_file: File | None = None
    protocol: Annotated[Whole, check_protocol, Field(description="5, or 3 for MQTT 3.1.1")] = 5

    @property
    def _address(self) -> SplitResult:
        return urlsplit(self.url)

    @property
    def host(self) -> str:
        return self._address.hostname or ""

    @property
    def port(self) -> int:
        return self._address.port or (8883 if self.tls else 1883)

    @property
    def tls(self) -> bool:
        return self._address.scheme == "mqtts"

    def at(self, url: str) -> Mqtt:
        """The broker at ``url``, else as this one. Who we are to this one is said to it alone; files for TLS
        are left out without it. ``ValidationError``: ``url`` is none."""
        other = Mqtt.model_validate({"url": url})
        same = (other.host, other.port) == (self.host, self.port)
        left_out = (set() if other.tls else _FOR_TLS) | (set() if same else _WHO_WE_ARE)
        return Mqtt.model_validate(self.model_dump(exclude_unset=True, exclude=left_out) | {"url": url})

    def of_source(self, source: Source) -> Mqtt:
        """Where that source is heard: as here, but for what it says itself. ``ValidationError``: it doesn't
        fit together."""
        there = self if source.url is None else self.at(source.url)
        own = source.model_dump(include=set(Mqtt.model_fields), exclude_none=True)
        own.setdefault("client_id", f"{self.client_id}-{source.name}")
        return Mqtt.model_validate(there.model_dump(exclude_unset=True) | own)

    @model_validator(mode="after")
    def _fits(self) -> Mqtt:
        if self.password is not None and self.username is None:
            raise ValueError("a password needs a username beside it (set mqtt.username)")
        if not self.tls and (self.ca_file or self.cert_file or self.key_file):
            raise ValueError("ca_file, cert_file and key_file are for TLS (begin mqtt.url with mqtts://)")
        if self.key_file and not self.cert_file:
            raise ValueError("a key needs its certificate beside it (set mqtt.cert_file)")
        roots = sorted((self.floor_root + "/", self.out_root + "/"))
        if roots[1].startswith(roots[0]):
            raise ValueError("floor_root and out_root overlap: we would hear ourselves (choose two apart)")
        return self
