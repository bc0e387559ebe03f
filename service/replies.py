"""What gateways are told, at the broker where they are: a source of our own contract may be at another than
that of ``[mqtt]``, and its gateways hear nothing of what is said there."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence

from service.mqtt.client import Connection

Said = tuple[str, bytes, bool]
"""Topic, payload, retained."""


class Replies:
    """``say`` and ``again`` from any thread."""

    def __init__(self, connections: Mapping[str, Connection]) -> None:
        """``connections``: by source, those whose gateways speak our own contract at another broker."""
        self._connections = connections
        self._retained: dict[str, dict[str, Said]] = {source: {} for source in connections}
        self._lock = threading.Lock()

    def say(self, source: str, messages: Sequence[Said]) -> None:
        """To the gateways of this source, where they don't hear what is said at the broker of ``[mqtt]``."""
        if source in self._connections:
            with self._lock:
                self._retained[source].update({said[0]: said for said in messages if said[2]})
            self._connections[source].publish(messages)

    def again(self, source: str) -> None:
        """We are connected there (again): what is retained may have gone nowhere."""
        if source in self._connections:
            with self._lock:
                retained = list(self._retained[source].values())
            self._connections[source].publish(retained)
