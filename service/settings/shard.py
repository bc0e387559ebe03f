"""Which lines are an instance's own, where several divide a plant among them."""

from __future__ import annotations

import unicodedata
from typing import Annotated

from pydantic import BeforeValidator, Field, model_validator

from service.domain import shards
from service.settings.checks import split_commas
from service.settings.kinds import Pattern, Section


class Shard(Section):
    name: Annotated[
        str,
        Field(
            pattern=r"^[a-z0-9][a-z0-9-]{0,39}$", description="1 to 40 small letters, digits or -, no - first"
        ),
    ]
    lines: Annotated[
        tuple[Pattern, ...],
        BeforeValidator(split_commas),
        Field(min_length=1, description='names or shell patterns, or ["*"]: all lines that no other has'),
    ]

    @model_validator(mode="after")
    def _catches_all_or_names_some(self) -> Shard:
        if shards.CATCH_ALL in self.lines and len(self.lines) > 1:
            raise ValueError('"*" means all that no other shard has, so it stands alone (leave others out)')
        return self

    def share(self) -> shards.Shard:
        # Names of lines are NFC, whatever an editor makes of the file.
        return shards.Shard(self.name, tuple(unicodedata.normalize("NFC", line) for line in self.lines))
