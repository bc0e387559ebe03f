"""What a connection wants to hear, as its broker is told."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.subscribeoptions import SubscribeOptions


@dataclass(slots=True)
class Subscription:
    """``topics`` are what is heard, ``stale`` what an earlier life may have heard and we don't want any more.
    ``retained_anew``: the first time all that is retained comes, also what we were told before."""

    topics: Sequence[str]
    stale: Sequence[str] = ()
    retained_anew: bool = False

    def ask(self, client: paho.Client, *, protocol: int) -> None:
        if protocol == 5:
            # Retained messages come for a new subscription only, not at every reconnect.
            options = SubscribeOptions(qos=1, retainHandling=0 if self.retained_anew else 1)
            client.subscribe([(topic, options) for topic in self.topics])
        else:
            client.subscribe([(topic, 1) for topic in self.topics])
        if self.stale:
            client.unsubscribe(list(self.stale))

    def refused(self, reasons: Iterable[Any]) -> str | None:
        """The first that the broker refused, and why; ``None``: it stands."""
        for topic, reason in zip(self.topics, reasons, strict=False):
            if reason.is_failure:
                return f"the broker refused our subscription to {topic}: {reason}"
        self.retained_anew = False
        return None
