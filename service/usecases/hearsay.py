"""Listening to what other shards tell: read behind what was heard last, handed to the owner of the world in
order. It remembers with its own commits how far it heard, so each word counts once, whatever dies."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Mapping
from concurrent.futures import Future

import msgspec

from service.domain.events import Elsewhere
from service.ports import StoreError, Words
from service.usecases.batch import Ask
from service.wire.native import Address

EVERY = 0.5
"""Seconds."""
MOST_AT_ONCE = 200
_encode = msgspec.json.Encoder().encode
_words = msgspec.json.Decoder(Elsewhere)


class Hearsay:
    """``look`` once before anything else is heard, then ``run`` in a thread of its own. ``missed`` hears of a
    shard some of whose words were forgotten before we heard them."""

    def __init__(
        self,
        words: Mapping[str, Words],
        *,
        heard: Mapping[str, int],
        put: Callable[[Ask], None],
        has_room: Callable[[], bool],
        missed: Callable[[str], None],
        beat: Callable[[], None],
    ) -> None:
        """``words`` are the other shards' by their names, ``heard`` the positions that were heard last.
        ``has_room``: whether the owner takes more just now; who was away for days has much to hear."""
        self._words = words
        self._heard = {shard: heard.get(shard, 0) for shard in words}
        self._put = put
        self._has_room = has_room
        self._missed = missed
        self._unsure = set(words)
        self._beat = beat
        self._stop = threading.Event()

    def run(self) -> None:
        while not self._stop.wait(EVERY):
            self._beat()
            self.look()

    def stop(self) -> None:
        self._stop.set()

    def look(self) -> None:
        """All that there is by now and there is room for; of a shard that can't be read it is heard later."""
        for shard, words in self._words.items():
            with contextlib.suppress(StoreError):
                self._look_at(shard, words)

    def _look_at(self, shard: str, words: Words) -> None:
        if shard in self._unsure:
            oldest = words.oldest()
            if oldest is not None and 0 < self._heard[shard] < oldest - 1:
                self._missed(shard)
            self._unsure.discard(shard)
        while self._has_room() and (found := words.after(self._heard[shard], limit=MOST_AT_ONCE)):
            for position, data in found:
                self._hear(shard, position, data)
            if len(found) < MOST_AT_ONCE:
                return

    def _hear(self, shard: str, position: int, data: bytes) -> None:
        self._heard[shard] = position
        try:
            said = msgspec.structs.replace(_words.decode(data), shard=shard, position=position)
        except msgspec.MsgspecError:  # of another version of the program
            self._missed(shard)
            return
        self._put(Ask(Address("elsewhere", "", None), said, _encode(said), Future()))
