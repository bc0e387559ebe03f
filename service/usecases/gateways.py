"""The sources beside the native one: each with its translator, heard by the one that owns the world.

What the translators remember goes into the same commit as what they said, under ``gateway/{source}/…``."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import partial

from service.domain.model import Instant
from service.wire.gateway import LARGEST_PAYLOAD, LONGEST_TOPIC, Native, Request, Translator
from service.wire.native import Misfit

PREFIX = "gateway/"


class Gateways:
    def __init__(
        self, translators: Mapping[str, Translator] | None = None, states: Mapping[str, bytes] | None = None
    ) -> None:
        """``states``: all that is committed; what isn't a translator's is left alone."""
        self._translators = translators or {}
        for source, translator in self._translators.items():
            own = _key(source, "")
            kept = {key: data for key, data in (states or {}).items() if key.startswith(own)}
            translator.memory.restore({key.removeprefix(own): data for key, data in kept.items()})
            translator.begin_anew()

    def __bool__(self) -> bool:
        return bool(self._translators)

    def __contains__(self, source: str) -> bool:
        """That of ``[mqtt]`` (``""``) always is."""
        return not source or source in self._translators

    def filters(self, source: str) -> tuple[str, ...]:
        """The MQTT topic filters that it wants to hear."""
        return self._translators[source].filters

    def hear(
        self, source: str, topic: bytes, payload: bytes, at: Instant, *, retained: bool
    ) -> Sequence[Native] | None:
        """What the message says in our own words; ``None``: it was heard before. Raises ``Misfit``."""
        if len(payload) > LARGEST_PAYLOAD:
            raise Misfit(f"the payload has {len(payload)} bytes, more than {LARGEST_PAYLOAD}")
        if len(topic) > LONGEST_TOPIC:
            raise Misfit(f"the topic has {len(topic)} bytes, more than {LONGEST_TOPIC}")
        try:
            text = topic.decode("utf-8")
        except UnicodeDecodeError:
            raise Misfit("the topic isn't UTF-8") from None
        return self._translators[source].hear(text, payload, at=at, retained=retained)

    def look(self, at: Instant) -> list[tuple[str, Native]]:
        """What time alone says, with whose it is."""
        return [
            (source, native)
            for source, translator in self._translators.items()
            if (moment := translator.next_moment()) is not None and moment <= at
            for native in translator.look(at)
        ]

    def next_moment(self) -> Instant | None:
        moments = (each.next_moment() for each in self._translators.values())
        return min((moment for moment in moments if moment is not None), default=None)

    def connected(self, source: str, at: Instant) -> list[tuple[str, Native]]:
        return [(source, native) for native in self._translators[source].connected(at)]

    def take_requests(self) -> Iterable[tuple[str, list[Request]]]:
        for source, translator in self._translators.items():
            requests = list(translator.take_requests())
            if requests:
                yield source, requests

    def gaps(self, source: str) -> int | None:
        """How many times its own numbering showed that messages were missing; ``None``: it can't say."""
        translator = self._translators.get(source)
        return None if translator is None else translator.gaps

    def take_changes(self) -> dict[str, bytes | None]:
        """What the translators have to remember, by the keys of the store."""
        return {
            _key(source, key): data
            for source, translator in self._translators.items()
            for key, data in translator.memory.take_changes().items()
        }

    def undo(self, committed: Mapping[str, bytes]) -> None:
        """What was heard since the last commit was never heard."""
        for source, translator in self._translators.items():
            translator.memory.undo(partial(_stored, committed, source))
            translator.begin_anew()


def _key(source: str, key: str) -> str:
    return f"{PREFIX}{source}/{key}"


def _stored(committed: Mapping[str, bytes], source: str, key: str) -> bytes | None:
    return committed.get(_key(source, key))


def without(states: Mapping[str, bytes]) -> dict[str, bytes]:
    """The states of the world alone: what a replay can reckon anew."""
    return {key: data for key, data in states.items() if not key.startswith(PREFIX)}
