"""What it costs to put messages of each format into our own words, beside bare decoding of the same bytes."""

from __future__ import annotations

import time
import tomllib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import msgspec

from service.settings import Settings
from service.wire.gateway import Native, Translator
from service.wire.native import read_message
from service.wire.sparkplug_payload import _PAYLOAD
from simulators.dialects import SPEAKERS
from simulators.scenario import load_scenario, shipped
from tests.support.spoken import Said, spoken

HOURS = 1.0
ROOT = "hall"
RUNS = 3
_BARE: dict[str, Callable[[bytes], object]] = {
    "sparkplug": _PAYLOAD.FromString,
    "values": bytes.decode,
}
"""JSON is decoded by msgspec, one value a topic is text."""


@dataclass(frozen=True, slots=True)
class Took:
    """Seconds a message, each the best of some runs: bare decoding, the translator, and with it what our own
    decoder makes of what it says."""

    messages: int
    bare: float
    translated: float
    read: float


def format_seconds() -> dict[str, Took]:
    """By format, the same hour in each."""
    return {speak: _time(speak, _messages(speak)) for speak in SPEAKERS}


def _messages(speak: str) -> list[Said]:
    shift = spoken(load_scenario(shipped()["demo"]), dialect=speak, hours=HOURS, root=ROOT)
    return [each for each in shift.said if each.payload]


def _time(speak: str, said: Sequence[Said]) -> Took:
    bare = _BARE.get(speak, msgspec.json.decode)
    runs = [(_bare(bare, said), *_ours(_translator(speak), said)) for _ in range(RUNS)]
    best = [min(each) / len(said) for each in zip(*runs, strict=True)]
    return Took(len(said), best[0], best[1], best[1] + best[2])


def _translator(speak: str) -> Translator:
    table = tomllib.loads(SPEAKERS[speak].source.replace("ROOT", ROOT))
    (source,) = Settings.model_validate(table).sources
    return source.translator("UTC")


def _bare(decode: Callable[[bytes], object], said: Iterable[Said]) -> float:
    began = time.perf_counter()
    for each in said:
        decode(each.payload)
    return time.perf_counter() - began


def _ours(translator: Translator, said: Iterable[Said]) -> tuple[float, float]:
    natives: list[Native] = []
    began = time.perf_counter()
    for at, topic, payload in said:
        natives += translator.hear(topic, payload, at=at) or ()
    translated = time.perf_counter()
    for address, payload in natives:
        read_message(address, payload)
    return translated - began, time.perf_counter() - translated
