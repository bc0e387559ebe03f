"""What was learned from supplies and warnings that are over, kept by the keys under which it is stored."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import msgspec

from service.domain.history import Learned, Record, law_key, record_key

_encode = msgspec.msgpack.Encoder().encode
_learned = msgspec.msgpack.Decoder(Learned)
_records = msgspec.msgpack.Decoder(Record)


@dataclass(slots=True)
class Memory:
    """``touched`` names what changed; the world adds it to its own."""

    learned: dict[str, Learned] = field(default_factory=dict)
    records: dict[str, Record] = field(default_factory=dict)
    touched: set[str] = field(default_factory=set)

    def of(self, kind: str | None, part: str | None = None) -> Learned:
        """What was learned of a kind, or of a part of that kind; made when first asked for."""
        key = law_key(kind, part)
        found = self.learned.get(key)
        if found is None:
            found = self.learned[key] = Learned(kind, part)
        return found

    def record(self, kind: str | None) -> Record:
        return self.records.setdefault(record_key(kind), Record(kind))

    def touch(self, each: Learned | Record) -> None:
        """It changed, and is to be stored."""
        if isinstance(each, Record):
            self.touched.add(record_key(each.kind))
        else:
            self.touched.add(law_key(each.kind, each.part))

    def adopt(self, learned: Iterable[Learned], records: Iterable[Record]) -> None:
        self.learned |= {law_key(each.kind, each.part): each for each in learned}
        self.records |= {record_key(each.kind): each for each in records}

    def read(self, key: str, data: bytes) -> None:
        if key.startswith("law/"):
            self.learned[key] = _learned.decode(data)
        else:
            self.records[key] = _records.decode(data)

    def forget(self, key: str) -> None:
        self.learned.pop(key, None)
        self.records.pop(key, None)

    def encoded(self, key: str) -> bytes:
        return _encode(self.learned[key] if key.startswith("law/") else self.records[key])

    def keys(self) -> set[str]:
        return {*self.learned, *self.records}
