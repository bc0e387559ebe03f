"""A text of ``[[source]]`` tables, looked at before it is put into the configuration."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence

from pydantic import ValidationError

from service.settings.gateways import Source
from service.settings.loading import SettingsError
from service.settings.problems import describe
from service.settings.sections import Settings


def sources_in(text: str, settings: Settings) -> Sequence[Source]:
    """The sources of a draft, as they would stand beside ``[mqtt]`` of ``settings``; other tables aren't
    looked at. Raises ``SettingsError`` with all that doesn't fit."""
    try:
        tables = tomllib.loads(text).get("source", [])
    except (ValueError, RecursionError) as error:
        raise SettingsError([f"the draft is not TOML ({error})"]) from None
    if not tables:
        raise SettingsError(["the draft has no [[source]]"])
    mqtt = settings.mqtt.model_dump(exclude_unset=True)
    site = {"timezone": settings.site.timezone}
    try:
        return Settings.model_validate({"mqtt": mqtt, "site": site, "source": tables}).sources
    except ValidationError as error:
        raise SettingsError([problem.line("") for problem in describe(error, {})]) from None
