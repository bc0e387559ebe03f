"""The sources of the configuration as people see them: what is configured, and how each is heard where this
instance listens."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import msgspec

from service import outside
from service.domain import gateways, refusals
from service.domain.state import Standing
from service.incoming import Listening, SourceRow, State
from service.settings import Settings, Source

_standing = msgspec.msgpack.Decoder(Standing)


class Sources:
    """The port ``Incoming``."""

    def __init__(
        self,
        settings: Settings,
        *,
        committed: Mapping[str, bytes],
        listening: Callable[[], Mapping[str, Listening]],
        trials: Callable[[], Sequence[Mapping[str, Any]]],
    ) -> None:
        """``listening`` and ``trials`` are empty where another instance is in charge. Raises ``ValueError``
        for rules that can't be used."""
        self._settings = settings
        self._committed = committed
        self._listening = listening
        self._trials = trials
        timezone = settings.site.timezone
        self._topics = {each.name: each.translator(timezone).filters for each in settings.sources}

    def rows(self) -> Sequence[SourceRow]:
        mqtt, listening, about = self._settings.mqtt, self._listening(), self._notices()
        trials = {each["source"]: each for each in self._trials()}
        own = SourceRow(
            name=gateways.OWN,
            format="native",
            leads_to=mqtt.host,
            topics=(f"{mqtt.floor_root}/#",),
            state=_state(listening.get(""), trial=False),
            silent_after=None,
            notice=about.get(gateways.OWN),
            now=listening.get(""),
            trial=None,
        )
        return [
            own,
            *(self._row(each, listening.get(each.name), trials, about) for each in self._settings.sources),
        ]

    def _row(
        self,
        source: Source,
        now: Listening | None,
        trials: Mapping[str, Mapping[str, Any]],
        about: Mapping[str, str],
    ) -> SourceRow:
        return SourceRow(
            name=source.name,
            format=source.format,
            leads_to=outside.source_broker(self._settings, source).host,
            topics=self._topics[source.name],
            state=_state(now, trial=source.trial),
            silent_after=source.silent_after,
            notice=about.get(source.name),
            now=now,
            trial=trials.get(source.name),
        )

    def _notices(self) -> dict[str, str]:
        """The ids of those that stand about a whole source, by its name."""
        found: dict[str, str] = {}
        for key in [each for each in list(self._committed) if each.startswith("notice/")]:
            data = self._committed.get(key)
            notice = None if data is None else _standing.decode(data).notice
            if notice is None or notice.line is not None:
                continue
            about = notice.about or gateways.OWN
            if notice.kind == gateways.KIND or (notice.kind == refusals.KIND and about not in found):
                found[about] = notice.id
        return found


def _state(now: Listening | None, *, trial: bool) -> State:
    if trial:
        return "trial"
    if now is None:
        return "elsewhere"
    if not now.connected:
        return "away"
    return "connected" if now.silent_since is None else "quiet"
