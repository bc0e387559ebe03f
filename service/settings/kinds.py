"""The kinds of values that a configuration holds, each with what is allowed in words.

A field's ``description`` is what a person reads in brackets when a value doesn't fit. Addresses that may
carry a password are secrets: never shown in an error, a log line or a ``repr``.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, SecretStr

from service.settings.checks import (
    check_address,
    check_days,
    check_email,
    check_file,
    check_hours,
    check_network,
    check_root,
    not_a_boolean,
    split_commas,
)

Text = Annotated[str, Field(min_length=1, max_length=200, description="1 to 200 characters")]
Pattern = Annotated[str, Field(min_length=1, max_length=200, description="a name or a shell pattern")]
Whole = Annotated[int, BeforeValidator(not_a_boolean)]
Panels = Annotated[Whole, Field(ge=0, le=100_000, description="a whole number from 0 to 100000")]
Minutes = Annotated[
    float,
    BeforeValidator(not_a_boolean),
    Field(ge=0, le=10_080, description="minutes from 0 to 10080; 0 is off"),
]
Chance = Annotated[
    float,
    BeforeValidator(not_a_boolean),
    Field(gt=0, lt=1, description="a number between 0 and 1, such as 0.1"),
]
Port = Annotated[Whole, Field(ge=0, le=65_535, description="a port from 1 to 65535; 0 takes a free one")]
Parts = Annotated[Whole, Field(ge=1, le=2**53 - 1, description="a whole number of parts from 1")]
Topic = Annotated[str, check_root, Field(description="a topic such as floor or plant/floor")]
Language = Annotated[
    str, Field(pattern=r"^[A-Za-z]{2,3}(-[A-Za-z0-9]{2,8})*$", description='a language such as "de"')
]
Template = Annotated[str, Field(min_length=1, description="a Jinja template of the JSON body")]
OutletName = Annotated[
    str, Field(pattern=r"^[A-Za-z0-9_-]{1,64}$", description="1 to 64 letters, digits, _ or -")
]
Names = Annotated[tuple[str, ...], BeforeValidator(split_commas), Field(min_length=1)]
EmailAddress = Annotated[str, check_email, Field(description="an address such as line3@plant.example")]
HttpAddress = Annotated[
    SecretStr,
    check_address("http", "https", login=True),
    Field(description="an http:// or https:// address"),
]
SmtpAddress = Annotated[
    SecretStr,
    check_address("smtp", "smtps", "smtp+starttls", login=True),
    Field(description="smtp://, smtp+starttls:// or smtps://, with user:password@ where needed"),
]
File = Annotated[str, check_file, Field(min_length=1, description="a PEM file that we may read")]
Network = Annotated[str, check_network, Field(description="a network such as 100.64.0.0/10")]
ClosedDays = Annotated[
    str, check_days, Field(description="a day such as 2026-05-01, or 2026-12-24/2027-01-06")
]
WallTime = Annotated[
    str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d$", description='a local time such as "06:00"')
]
Break = Annotated[str, check_hours, Field(description='local times, such as "09:00-09:15"')]


class Section(BaseModel):
    """Frozen, and strict about keys: a misspelt key that is ignored would be a warning that never comes."""

    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=True, allow_inf_nan=False)
