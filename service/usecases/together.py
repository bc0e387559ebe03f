"""The committed states of several shards, looked at as one."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence


class Together(Mapping[str, bytes]):
    """What stands in several goes by the first of ``parts``: settings, laws and supplies, of which every
    shard has its own copy. From any thread, while others change the parts."""

    def __init__(self, parts: Sequence[Mapping[str, bytes]]) -> None:
        self._parts = parts

    def __getitem__(self, key: str) -> bytes:
        for part in self._parts:
            data = part.get(key)
            if data is not None:
                return data
        raise KeyError(key)

    def __iter__(self) -> Iterator[str]:
        # A list of a dict's keys is made at once; an iteration over it would fail when it grows meanwhile.
        return iter({key: None for part in self._parts for key in list(part)})

    def __len__(self) -> int:
        return len({key for part in self._parts for key in list(part)})

    def parts(self) -> Sequence[Mapping[str, bytes]]:
        return self._parts


def every(committed: Mapping[str, bytes], prefix: str) -> list[bytes]:
    """What stands under the keys that begin so, in order of the keys; of each shard that has it."""
    parts = committed.parts() if isinstance(committed, Together) else [committed]
    found = [(key, data) for part in parts for key, data in list(part.items()) if key.startswith(prefix)]
    return [data for _, data in sorted(found, key=lambda each: each[0])]
