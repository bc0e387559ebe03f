"""A source of any JSON, which rules map to our messages: ``format = "mapped"``."""

from __future__ import annotations

from typing import Annotated, Literal, get_args

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from service.settings.checks import check_timezone, not_a_boolean
from service.settings.gateway import FORMAT, GatewaySection
from service.settings.gateway_values import ValueRule
from service.settings.kinds import Section, Whole
from service.wire.mapped import MappedTranslator
from service.wire.mapped_reads import Single
from service.wire.mapped_rules import Gives, Made, MessageRule, Taken, ValueAt
from service.wire.times import reader

Expression = Annotated[
    str, Field(min_length=1, max_length=1000, description="a JMESPath expression such as feeders[0].pos")
]


def _form(form: str) -> str:
    reader(form, "UTC")
    return form


Time = Annotated[
    str,
    AfterValidator(_form),
    Field(
        min_length=1,
        max_length=100,
        description='"rfc3339", "s", "ms", "us", "ns" or directives such as "%d.%m.%Y %H:%M:%S"',
    ),
]
Unit = Annotated[float, BeforeValidator(not_a_boolean), Field(gt=0, description="a number over 0")]
_PARTS = f"JMESPath expressions by part: {', '.join(get_args(Taken))}"


class MappedMessage(Section):
    """See ``wire.mapped_rules.MessageRule``. ``time``: the form of its times; the source's unless given."""

    topic: Annotated[
        str,
        Field(min_length=1, max_length=400, description="a pattern such as plant/{line}/counts"),
    ]
    gives: Annotated[Gives, Field(description=", ".join(get_args(Gives)))]
    take: Annotated[dict[Taken, Expression], Field(description=_PARTS)] = Field(default={})
    say: Annotated[dict[Taken, str], Field(description="constants by part, as take")] = Field(default={})
    when: Expression | None = None
    items: Expression | None = None
    counts: Annotated[Literal["total", "delta"], Field(description='"total" or "delta"')] = "total"
    each: Annotated[Whole, Field(ge=1, le=1_000_000, description="a whole number from 1")] = 1
    units: dict[Taken, Unit] = Field(default={})
    words: dict[str, str] = Field(default={})
    bits: dict[str, str] = Field(default={})
    time: Time | None = None

    @model_validator(mode="after")
    def _can_be_used(self) -> MappedMessage:
        Made(self.rule("rfc3339"), "UTC")
        return self

    def rule(self, time: str) -> MessageRule:
        """``time``: the source's."""
        return MessageRule(**self.model_dump() | {"time": self.time or time})


class MappedValue(ValueRule):
    """A topic with one value: ``name`` is its pattern. ``value`` and ``at``: where in the payload the value
    and its time are; without ``value`` the payload is it."""

    value: Expression | None = None
    at: Expression | None = None
    time: Time | None = None

    @model_validator(mode="after")
    def _can_be_found(self) -> MappedValue:
        Single(self.single("rfc3339"), "UTC")
        return self

    def single(self, time: str) -> ValueAt:
        return ValueAt(rule=self.rule(), value=self.value, at=self.at, time=self.time or time)


class MappedSource(GatewaySection):
    """``timezone``: whose clocks its times without an offset go by; the site's unless given."""

    format: Annotated[Literal["mapped"], FORMAT]
    time: Time = "rfc3339"
    timezone: Annotated[str, check_timezone, Field(description="such as Europe/Vienna")] | None = None
    messages: tuple[MappedMessage, ...] = Field(default=(), alias="message")
    values: tuple[MappedValue, ...] = Field(default=(), alias="value")

    @model_validator(mode="after")
    def _has_rules(self) -> MappedSource:
        if not self.messages and not self.values:
            raise ValueError("has neither a [[source.message]] nor a [[source.value]]")
        return self

    def translator(self, timezone: str) -> MappedTranslator:
        return MappedTranslator(
            self.name,
            [each.rule(self.time) for each in self.messages],
            [each.single(self.time) for each in self.values],
            self.timezone or timezone,
        )
