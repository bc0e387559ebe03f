"""What a metric is before it is counted: declared once, with all that whoever reads it needs.

A metric exists only as an attribute of a ``Registry``, so ``/metrics`` and the page about it are what the
declarations say. Names follow Prometheus: base units, what is counted up ends in ``_total``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any, Generic, Self, TypeVar, overload

from prometheus_client import (
    CollectorRegistry,
    Counter,
    Gauge,
    Histogram,
    ProcessCollector,
    disable_created_metrics,
    generate_latest,
)

Made = TypeVar("Made", bound=Counter | Gauge | Histogram)
PREFIX = "earlybell_"
LATENCY = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30, 60, 300)
"""Buckets in seconds, for what should take no time and may take minutes while something is away."""


@dataclass(frozen=True, slots=True)
class Label:
    """``values``: all that there are; empty where they are names of the configuration, as ``of`` says. Never
    names from the floor or from a request: those have no bound."""

    name: str
    values: tuple[str, ...] = ()
    of: str = ""


class Declared(Generic[Made]):
    """One metric. ``odd``: what a bad value means and where to look then; ``unit`` is in the name too."""

    def __init__(
        self,
        kind: type[Made],
        name: str,
        help_: str,
        *,
        odd: str,
        unit: str,
        labels: Sequence[Label],
        buckets: Sequence[float],
    ) -> None:
        self.kind: type[Made] = kind
        self.help, self.odd, self.unit = help_, odd, unit
        self.name = PREFIX + name + ("_total" if kind is Counter else "")
        self.labels, self.buckets = tuple(labels), tuple(buckets)

    def __set_name__(self, owner: type[Registry], attribute: str) -> None:
        self.attribute = attribute

    @overload
    def __get__(self, instance: None, owner: type[Registry]) -> Self: ...
    @overload
    def __get__(self, instance: Registry, owner: type[Registry]) -> Made: ...
    def __get__(self, instance: Registry | None, owner: type[Registry]) -> Self | Made:
        return self if instance is None else instance.made[self.attribute]

    def make(self, registry: CollectorRegistry) -> Made:
        more: dict[str, Any] = {"buckets": self.buckets} if self.buckets else {}
        names = [label.name for label in self.labels]
        made = self.kind(self.name, self.help, names, registry=registry, **more)
        # What may be counted is 0 until then: a rate misses what a series begins with.
        if names and self.kind is not Gauge and all(label.values for label in self.labels):
            for values in product(*(label.values for label in self.labels)):
                made.labels(*values)
        return made


def counter(
    name: str, help_: str, *, odd: str, labels: Sequence[Label] = (), unit: str = ""
) -> Declared[Counter]:
    return Declared(Counter, name, help_, odd=odd, unit=unit, labels=labels, buckets=())


def gauge(
    name: str, help_: str, *, odd: str, labels: Sequence[Label] = (), unit: str = ""
) -> Declared[Gauge]:
    return Declared(Gauge, name, help_, odd=odd, unit=unit, labels=labels, buckets=())


def histogram(
    name: str, help_: str, *, odd: str, buckets: Sequence[float], labels: Sequence[Label] = (), unit: str = ""
) -> Declared[Histogram]:
    return Declared(Histogram, name, help_, odd=odd, unit=unit, labels=labels, buckets=buckets)


class Registry:
    """What its class declares, each set of it counted apart."""

    def __init__(self) -> None:
        # A creation time beside each series doubles the text and tells nothing that we use.
        disable_created_metrics()  # type: ignore[no-untyped-call]
        self.registry = CollectorRegistry()
        ProcessCollector(registry=self.registry)
        self.made: dict[str, Any] = {
            each.attribute: each.make(self.registry) for each in type(self).declared()
        }

    @classmethod
    def declared(cls) -> Iterator[Declared[Any]]:
        """Its own in the order of the declarations, then those that it builds on."""
        found = (vars(each).values() for each in cls.__mro__)
        return (each for values in found for each in values if isinstance(each, Declared))

    def render(self) -> bytes:
        """The Prometheus text of ``/metrics``."""
        return generate_latest(self.registry)
