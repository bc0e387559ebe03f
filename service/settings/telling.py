"""How people are told, as configured: outlets, and routes to them."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, SecretStr

from service.settings.checks import (
    check_contact,
    check_origin,
    check_signing_secret,
    split_commas,
    split_lines,
    split_secrets,
)
from service.settings.kinds import (
    EmailAddress,
    File,
    HttpAddress,
    Language,
    Network,
    OutletName,
    Section,
    SmtpAddress,
    Template,
    Whole,
)

OUTLET_TYPE = Field(description='"webhook", "chat", "email", "push" or "other"')


class OutletSection(Section):
    name: OutletName
    ca_file: File | None = None
    allow: Annotated[tuple[Network, ...], BeforeValidator(split_commas)] = ()
    language: Language | None = None


class Webhook(OutletSection):
    type: Annotated[Literal["webhook"], OUTLET_TYPE]
    url: HttpAddress
    secret: Annotated[
        tuple[Annotated[SecretStr, check_signing_secret, Field(description="whsec_ and base64 text")], ...],
        BeforeValidator(split_secrets),
        Field(max_length=5, description="whsec_ and base64 text, or a list of such, the new one first"),
    ] = ()


class ToPeople(Section):
    """``most_in_ten_minutes`` are messages, however much each tells."""

    most_in_ten_minutes: Annotated[Whole, Field(ge=2, le=600, description="a number from 2 to 600")] = 10


class Chat(OutletSection, ToPeople):
    type: Annotated[Literal["chat"], OUTLET_TYPE]
    url: HttpAddress
    template: Template | None = None


class Email(OutletSection, ToPeople):
    type: Annotated[Literal["email"], OUTLET_TYPE]
    to: Annotated[
        tuple[EmailAddress, ...],
        BeforeValidator(split_commas),
        Field(min_length=1, description="one address or a list of them"),
    ]
    sender: Annotated[EmailAddress, Field(alias="from")]
    smtp_url: SmtpAddress


class Push(OutletSection, ToPeople):
    """``services``: push services of the plant's own, which may stand where no public one does."""

    type: Annotated[Literal["push"], OUTLET_TYPE]
    contact: Annotated[
        str | None, check_contact, Field(description="such as mailto:line3@plant.example, or https://…")
    ] = None
    ttl: Annotated[Whole, Field(ge=60, le=2_419_200, description="seconds from 60 to 2419200")] = 3600
    services: Annotated[
        tuple[Annotated[str, check_origin], ...],
        BeforeValidator(split_commas),
        Field(description="addresses such as https://push.plant.example, without a path"),
    ] = ()


class Other(ToPeople):
    """One of the many services that a notification library knows; it has its own ways to the network."""

    type: Annotated[Literal["other"], OUTLET_TYPE]
    name: OutletName
    language: Language | None = None
    urls: Annotated[
        tuple[SecretStr, ...],
        BeforeValidator(split_lines),
        Field(min_length=1, max_length=20, description="1 to 20 addresses as the library apprise has them"),
    ]


Outlet = Annotated[Webhook | Chat | Email | Push | Other, Field(discriminator="type")]
