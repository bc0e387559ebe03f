"""How people are told, as configured: outlets, and routes to them."""

from __future__ import annotations

from typing import Annotated, Literal, get_args

from pydantic import BeforeValidator, Field, SecretStr

from service.domain.model import Level
from service.settings.checks import check_hours, check_signing_secret, split_commas, split_secrets
from service.settings.kinds import (
    EmailAddress,
    File,
    HttpAddress,
    Names,
    Network,
    OutletName,
    Pattern,
    Section,
    SmtpAddress,
    Template,
)

OUTLET_TYPE = Field(description='"webhook", "chat" or "email"')


class OutletSection(Section):
    name: OutletName
    ca_file: File | None = None
    allow: Annotated[tuple[Network, ...], BeforeValidator(split_commas)] = ()


class Webhook(OutletSection):
    type: Annotated[Literal["webhook"], OUTLET_TYPE]
    url: HttpAddress
    secret: Annotated[
        tuple[Annotated[SecretStr, check_signing_secret, Field(description="whsec_ and base64 text")], ...],
        BeforeValidator(split_secrets),
        Field(max_length=5, description="whsec_ and base64 text, or a list of such, the new one first"),
    ] = ()


class Chat(OutletSection):
    type: Annotated[Literal["chat"], OUTLET_TYPE]
    url: HttpAddress
    template: Template | None = None


class Email(OutletSection):
    type: Annotated[Literal["email"], OUTLET_TYPE]
    to: Annotated[
        tuple[EmailAddress, ...],
        BeforeValidator(split_commas),
        Field(min_length=1, description="one address or a list of them"),
    ]
    sender: Annotated[EmailAddress, Field(alias="from")]
    smtp_url: SmtpAddress


Outlet = Annotated[Webhook | Chat | Email, Field(discriminator="type")]


RoutedKind = Literal[
    "supply", "tape", "tray", "stick", "bulk", "question", "silent", "loss", "refused", "outlet", "promise"
]
"""A kind of notice, or of the supply that a supply notice is about."""


class Route(Section):
    outlets: Annotated[Names, Field(description="the names of one or more outlets")]
    line: Pattern | None = None
    kind: Annotated[RoutedKind | None, Field(description=", ".join(get_args(RoutedKind)))] = None
    severity: Annotated[Level | None, Field(description="early, urgent or empty: this and worse")] = None
    hours: Annotated[str | None, check_hours, Field(description='local times, such as "22:00-06:00"')] = None
    tells: Annotated[
        Literal["all", "calls"],
        Field(description='"all" changes, or only what "calls" for somebody (not: taken, quiet, closed)'),
    ] = "all"
