"""What must differ between ``[mqtt]`` and every ``[[source]]``, so that none gets into the way of another."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from pydantic import ValidationError

from service.domain.gateways import OWN
from service.settings.broker import Mqtt
from service.settings.checks import twice
from service.settings.gateways import Source


@dataclass(frozen=True, slots=True)
class _Heard:
    """One connection of ours; ``roots`` are those of topics that only it may have there."""

    where: str
    mqtt: Mqtt
    roots: tuple[str, ...] = ()
    host: str | None = None

    @property
    def broker(self) -> tuple[str, int]:
        return self.mqtt.host, self.mqtt.port


def refuse_mixed_up(mqtt: Mqtt, sources: Sequence[Source]) -> None:
    """Raises ``ValueError``: names that come twice, a source that doesn't fit together with what it takes
    from ``[mqtt]``, and two on one broker with one client id, one Sparkplug host or overlapping roots, which
    would end each other's connection or count twice."""
    if doubles := twice([each.name for each in sources]):
        raise ValueError(f"source {doubles} is there twice (give each a name of its own)")
    heard = [_Heard("[mqtt]", mqtt, (mqtt.floor_root, mqtt.out_root)), *_all_heard(mqtt, sources)]
    for one, other in combinations(heard, 2):
        if one.broker == other.broker:
            _refuse_pair(one, other)


def _all_heard(mqtt: Mqtt, sources: Sequence[Source]) -> Iterator[_Heard]:
    for source in sources:
        where = f"source {source.name}"
        if source.name == OWN:
            raise ValueError(f"{where} can't have that name: it is that of [mqtt] (choose another)")
        try:
            there = mqtt.of_source(source)
        except ValidationError as error:
            raise ValueError(f"{where}: {'; '.join(map(_why, error.errors()))}") from None
        yield _Heard(where, there, source.roots, source.host_under(there.client_id))


def _why(detail: Any) -> str:
    """What a source says was looked at before; what is put together with that of ``[mqtt]`` wasn't."""
    if (error := detail.get("ctx", {}).get("error")) is not None:
        return str(error).replace("mqtt.", "")
    return f"{detail['loc'][0]} would be {detail['input']} (set it for this source)"


def _refuse_pair(one: _Heard, other: _Heard) -> None:
    both = f"{other.where} and {one.where}, on one broker,"
    if one.mqtt.client_id == other.mqtt.client_id:
        raise ValueError(f"{both} have one client_id: each would end the other's connection (choose two)")
    if one.host is not None and one.host == other.host:
        raise ValueError(f"{both} are one Sparkplug host (choose two names for host_id)")
    for mine in one.roots:
        for yours in other.roots:
            if f"{mine}/".startswith(f"{yours}/") or f"{yours}/".startswith(f"{mine}/"):
                raise ValueError(f"{both} have overlapping roots: {yours} and {mine} (choose two apart)")
