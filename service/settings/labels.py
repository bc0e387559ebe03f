"""How labels are read beyond the standards: patterns of the plant's own, and which numbers mean its parts."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from service.domain.labels import LabelPattern
from service.domain.labels_patterns import check_pattern
from service.settings.checks import split_commas
from service.settings.kinds import Section, Text


def _pattern(text: str | None) -> str | None:
    if text is not None:
        check_pattern(text)
    return text


SomeTexts = Annotated[tuple[Text, ...], BeforeValidator(split_commas), Field(description="a list of texts")]


class Alias(Section):
    """Numbers on labels that all mean one part of the plant's."""

    part: Text
    names: Annotated[
        tuple[Text, ...], BeforeValidator(split_commas), Field(min_length=1, description="a list of texts")
    ]


class LabelRule(Section):
    """Without ``pattern`` about every label that no pattern matched."""

    name: Text
    pattern: Annotated[
        str | None,
        AfterValidator(_pattern),
        Field(description="a regular expression with named groups, as RE2 knows them"),
    ] = None
    strip: SomeTexts = ()
    upper: Annotated[bool, Field(description="true or false")] = False
    aliases: Annotated[tuple[Alias, ...], Field(alias="alias")] = ()

    @model_validator(mode="after")
    def _says_something(self) -> LabelRule:
        if self.pattern is None and not (self.strip or self.upper or self.aliases):
            raise ValueError("changes nothing (set pattern, strip, upper or alias)")
        return self


def refuse_contradictions(rules: tuple[LabelRule, ...]) -> None:
    """Raises ``ValueError`` for a number that would mean two parts."""
    meant: dict[str, str] = {}
    for alias in (alias for rule in rules for alias in rule.aliases):
        for name in alias.names:
            if meant.setdefault(name, alias.part) != alias.part:
                raise ValueError(f"label: {name!r} can't mean {meant[name]!r} and {alias.part!r}")


def patterns_of(rules: tuple[LabelRule, ...]) -> tuple[LabelPattern, ...]:
    """The rules as those who read labels take them."""
    return tuple(
        LabelPattern(
            name=rule.name,
            pattern=rule.pattern,
            strip=rule.strip,
            upper=rule.upper,
            alias={name: alias.part for alias in rule.aliases for name in alias.names},
        )
        for rule in rules
    )
