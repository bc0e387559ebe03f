"""What every translator of a foreign format is, and what it gives: messages of our own contract.

A gateway's messages are put into our own words before anything else sees them: the journal, the rules, a
replay and a review know the native contract alone. What a translator remembers is stored in the same commit
as what it said, so that a restart goes on where the last commit was.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from operator import itemgetter
from typing import Any, Generic, NamedTuple, Protocol, TypeVar

import msgspec

from service.domain.model import Instant
from service.wire.native import Address

T = TypeVar("T")
LARGEST_PAYLOAD = 512 * 1024
"""Bytes. Other formats are wordier than our own contract, and tell of a whole device at once."""
LONGEST_TOPIC = 1000
"""Bytes."""


class Native(NamedTuple):
    """One message in the words of the native contract: ``payload`` is its JSON. It goes the way of every
    message, so what the contract refuses is refused here too."""

    address: Address
    payload: bytes


class Request(NamedTuple):
    """What a translator wants published to its own gateway, once all before it is committed."""

    topic: str
    payload: bytes
    qos: int = 0
    retain: bool = False


class Memory(Generic[T]):
    """What a translator remembers, in pieces under keys of its own (a station, a device), each as small as it
    can be: a piece that was touched is written with the next commit.

    ``kind`` is a msgspec ``Struct`` (``array_like``; new fields at the end with defaults), ``make`` an empty
    one.
    """

    def __init__(self, kind: type[T], make: Callable[[], T]) -> None:
        self._make = make
        self._encode = msgspec.msgpack.Encoder().encode
        self._decoder = msgspec.msgpack.Decoder(kind)
        self._kept: dict[str, T] = {}
        self._touched: set[str] = set()
        self._taken: set[str] = set()

    def of(self, key: str) -> T:
        """The piece to be changed; made when it isn't there."""
        piece = self._kept.get(key)
        if piece is None:
            piece = self._kept[key] = self._make()
        self._touched.add(key)
        return piece

    def seen(self, key: str) -> T | None:
        """The piece to be read."""
        return self._kept.get(key)

    def put(self, key: str, piece: T) -> None:
        """Another piece in its place."""
        self._kept[key] = piece
        self._touched.add(key)

    def keys(self) -> list[str]:
        return sorted(self._kept)

    def items(self) -> list[tuple[str, T]]:
        """All pieces, to be read."""
        return sorted(self._kept.items(), key=itemgetter(0))

    def has_room(self, keys: Iterable[str], most: int) -> bool:
        """Whether with these there are no more than ``most``, or no more than there were."""
        new = {key for key in keys if key not in self._kept}
        return not new or len(self._kept) + len(new) <= most

    def __len__(self) -> int:
        return len(self._kept)

    def forget(self, key: str) -> None:
        if self._kept.pop(key, None) is not None:
            self._touched.add(key)

    def take_changes(self) -> dict[str, bytes | None]:
        """What was touched since the last time, encoded; ``None``: forgotten."""
        changes = {
            key: None if (piece := self._kept.get(key)) is None else self._encode(piece)
            for key in sorted(self._touched)
        }
        self._taken, self._touched = self._touched, set()
        return changes

    def restore(self, stored: Mapping[str, bytes]) -> None:
        """All of it as it was stored."""
        self._kept = {key: self._decoder.decode(data) for key, data in stored.items()}
        self._touched, self._taken = set(), set()

    def undo(self, stored: Callable[[str], bytes | None]) -> None:
        """What was touched since the last commit as it was stored then; what was taken last wasn't."""
        for key in self._touched | self._taken:
            data = stored(key)
            if data is None:
                self._kept.pop(key, None)
            else:
                self._kept[key] = self._decoder.decode(data)
        self._touched, self._taken = set(), set()


class Remembers(Protocol):
    """What the keeper of a translator's memory needs of it; the words are those of ``Memory``."""

    def take_changes(self) -> dict[str, bytes | None]: ...

    def restore(self, stored: Mapping[str, bytes]) -> None: ...

    def undo(self, stored: Callable[[str], bytes | None]) -> None: ...


class Memories:
    """Memories of several kinds as one, each with a name of its own before its keys: ``name/key``."""

    def __init__(self, **parts: Memory[Any]) -> None:
        self._parts = {f"{name}/": part for name, part in parts.items()}

    def take_changes(self) -> dict[str, bytes | None]:
        return {
            name + key: data
            for name, part in self._parts.items()
            for key, data in part.take_changes().items()
        }

    def restore(self, stored: Mapping[str, bytes]) -> None:
        for name, part in self._parts.items():
            own = {key.removeprefix(name): data for key, data in stored.items() if key.startswith(name)}
            part.restore(own)

    def undo(self, stored: Callable[[str], bytes | None]) -> None:
        for name, part in self._parts.items():
            part.undo(partial(_named, stored, name))


def _named(stored: Callable[[str], bytes | None], name: str, key: str) -> bytes | None:
    return stored(name + key)


class Translator(Protocol):
    """One source's language. Used by one thread; never waits, reads no clock and sends nothing by itself.

    ``filters``: the MQTT topic filters that it wants to hear. ``memory``: what has to outlive a restart; all
    else a translator keeps may be lost at any moment (``begin_anew``).
    """

    filters: tuple[str, ...]

    @property
    def memory(self) -> Remembers: ...

    @property
    def gaps(self) -> int | None:
        """How many times the format's numbering showed that messages were missing; ``None``: it has none."""

    def hear(
        self, topic: str, payload: bytes, *, at: Instant, retained: bool = False
    ) -> Sequence[Native] | None:
        """What one message says, in order; nothing where all is as it was. ``None``: its own number, id or
        time shows that this very message was heard before. ``at`` is when it came. Raises ``Misfit`` with
        one reason, and then nothing of it counts and nothing is remembered of it; no other exception for any
        bytes."""

    def look(self, at: Instant) -> Sequence[Native]:
        """What time alone says: a lamp that stopped blinking, a message that never came."""

    def next_moment(self) -> Instant | None:
        """When ``look`` may have something to say next."""

    def connected(self, at: Instant) -> Sequence[Native]:
        """We are connected (again) and hear what is said from now on."""

    def take_requests(self) -> Iterable[Request]:
        """What is to be published since the last time."""

    def begin_anew(self) -> None:
        """What isn't in ``memory`` can't be relied on: this is a start, or something failed in between."""


class Plain:
    """A base for translators that wait for no time, ask for nothing and keep nothing beside ``memory``."""

    gaps: int | None = None

    def look(self, at: Instant) -> Sequence[Native]:
        return ()

    def next_moment(self) -> Instant | None:
        return None

    def connected(self, at: Instant) -> Sequence[Native]:
        return ()

    def take_requests(self) -> Iterable[Request]:
        return ()

    def begin_anew(self) -> None:
        return
