"""What was learned from supplies and warnings that are over, kept by the keys under which it is stored, and
the laws and beliefs that follow from it, derived when asked for and never stored."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass, field
from functools import partial
from typing import TypeVar

import msgspec

from service.domain import learning
from service.domain.depletion import Belief
from service.domain.history import MOST_ENDS, Booked, End, Learned, Record, law_key, record_key
from service.domain.law import Law
from service.domain.word import HeardOf, Word, heard_key

_encode = msgspec.msgpack.Encoder().encode
_learned = msgspec.msgpack.Decoder(Learned)
_records = msgspec.msgpack.Decoder(Record)
_heard = msgspec.msgpack.Decoder(HeardOf)


MOST_PARTS = 5000
"""Parts that have laws of their own; further ones go by their kind."""
MOST_DERIVED = 2048
"""Laws kept, and beliefs: one for each quantity that a label says, some four kilobytes each once learned. A
slot in use holds its own; the oldest are derived anew when asked for."""
_Stamp = tuple[int, int]
_LawKey = tuple[str | None, str | None, str, int]
_BeliefKey = tuple[str | None, str | None]
_K = TypeVar("_K", bound=Hashable)
_V = TypeVar("_V")


@dataclass(slots=True)
class Memory:
    """``touched`` names what changed; the world adds it to its own. ``heard`` is how far the word of other
    shards was heard, by their names; ``word`` what they are to be told. With ``fetch`` it only follows what
    is committed elsewhere: looks a key up when it is asked for, and decodes what is new."""

    learned: dict[str, Learned] = field(default_factory=dict)
    records: dict[str, Record] = field(default_factory=dict)
    touched: set[str] = field(default_factory=set)
    heard: dict[str, HeardOf] = field(default_factory=dict)
    word: Word = field(default_factory=Word, compare=False)
    fetch: Callable[[str], bytes | None] | None = field(default=None, compare=False)
    _followed: dict[str, bytes | None] = field(default_factory=dict, compare=False)
    _blank: dict[str, Learned] = field(default_factory=dict, compare=False)
    _laws: OrderedDict[_LawKey, tuple[_Stamp, Law]] = field(default_factory=OrderedDict, compare=False)
    _beliefs: OrderedDict[_BeliefKey, tuple[_Stamp, Belief]] = field(
        default_factory=OrderedDict, compare=False
    )

    def find(self, kind: str | None, part: str | None) -> tuple[Learned, Learned | None]:
        """What was learned of a kind, and of a part of that kind if anything was."""
        key = law_key(kind)
        of_kind = self.kept(key) or self._blank.setdefault(key, Learned(kind))
        return of_kind, None if part is None else self.kept(law_key(kind, part))

    def kept(self, key: str) -> Learned | None:
        """What is remembered under a key of ``history.law_key``."""
        if self.fetch is not None:
            data = self.fetch(key)
            if data is not self._followed.get(key):
                self._followed[key] = data
                if data is None:
                    self.forget(key)
                else:
                    self.read(key, data)
        return self.learned.get(key)

    def law(self, kind: str | None, part: str | None, basis: str, declared: int) -> Law:
        """How what is really in such a supply differs from what is said."""
        of_kind, of_part = self.find(kind, part)
        key = (kind, part if of_part is not None else None, basis, declared)
        stamp = _stamp(of_kind, of_part)
        known = self._laws.get(key)
        if known is not None and known[0] == stamp:
            return known[1]
        if of_part is None:
            law = learning.law_of(kind, basis, declared, of_kind.ruling.get(basis, ()), ())
        else:
            start = self.law(kind, None, basis, declared)
            law = learning.law_after(start, basis, declared, of_part.ruling.get(basis, ()))
        _keep(self._laws, key, (stamp, law))
        return law

    def belief(self, kind: str | None, part: str | None) -> Belief:
        """Where the belief of such a supply's loss odds starts."""
        of_kind, of_part = self.find(kind, part)
        key = (kind, part if of_part is not None else None)
        stamp = _stamp(of_kind, of_part)
        known = self._beliefs.get(key)
        if known is not None and known[0] == stamp:
            return known[1]
        if of_part is None:
            belief = learning.belief_of(kind, _all_ends(of_kind), ())
        else:
            belief = learning.belief_of_part(self.belief(kind, None), _all_ends(of_part))
        _keep(self._beliefs, key, (stamp, belief))
        return belief

    def summary(self, learned: Learned) -> dict[str, object]:
        """``learning.summary`` of it."""
        kind, part = learned.kind, learned.part
        return learning.summary(learned, partial(self.law, kind, part), self.belief(kind, part))

    def note_end(self, kind: str | None, part: str | None, basis: str, end: End) -> Booked:
        """One more supply is over; what ``take_back`` needs to forget it."""
        of_kind, of_part = self.find(kind, part)
        self.learned[law_key(kind)] = of_kind
        if of_part is None and part is not None and len(self.learned) < MOST_PARTS:
            of_part = self.learned[law_key(kind, part)] = Learned(kind, part)
            of_kind.step()  # who has this part must look again
        dropped = self._note(of_kind, basis, end), [] if of_part is None else self._note(of_part, basis, end)
        booked = Booked(kind, part, basis, end, dropped)
        self.word.teach(booked)
        return booked

    def _note(self, learned: Learned, basis: str, end: End) -> list[End]:
        """What it must drop for the end is given back."""
        by = learning.steps(learned.finished + 1) - learning.steps(learned.finished)
        if not by and learned.settled is None:
            # A law is asked for at any time, also by a copy that has just begun: it mustn't matter when.
            learned.settled = {each: list(ends) for each, ends in learned.ends.items()}
        ends = learned.ends.setdefault(basis, [])
        known = list(ends)
        ends.append(end)
        del ends[:-MOST_ENDS]
        if learning.changed(ends, basis):
            del ends[: -learning.LATELY]
        learned.finished += 1
        if by:
            learned.step(by)
        self.touched.add(law_key(learned.kind, learned.part))
        return known[: len(known) + 1 - len(ends)]

    def take_back(self, booked: Booked) -> None:
        """The supply wasn't over: what its end taught is forgotten, and what was dropped for it is there
        again."""
        self.word.teach(booked, undone=True)
        for learned, dropped in zip(self.find(booked.kind, booked.part), booked.dropped, strict=True):
            ends = [] if learned is None else learned.ends.get(booked.basis, [])
            if learned is None or booked.end not in ends:
                continue
            ends.remove(booked.end)
            learned.ends[booked.basis] = [*dropped, *ends]
            if not learned.ends[booked.basis]:
                del learned.ends[booked.basis]
            learned.finished -= 1
            learned.step()
            self.touched.add(law_key(learned.kind, learned.part))

    def heard_of(self, shard: str) -> HeardOf:
        """To be changed: it is stored anew."""
        self.touched.add(heard_key(shard))
        return self.heard.setdefault(heard_key(shard), HeardOf(shard))

    def record(self, kind: str | None) -> Record:
        return self.records.setdefault(record_key(kind), Record(kind))

    def touch(self, record: Record) -> None:
        """It changed, and is to be stored."""
        self.touched.add(record_key(record.kind))

    def adopt(
        self, learned: Iterable[Learned], records: Iterable[Record], heard: Iterable[HeardOf] = ()
    ) -> None:
        self.learned |= {law_key(each.kind, each.part): each for each in learned}
        self.heard |= {heard_key(each.shard): each for each in heard}
        self.records |= {record_key(each.kind): each for each in records}

    def read(self, key: str, data: bytes) -> None:
        if key.startswith("law/"):
            self.learned[key] = _learned.decode(data)
        elif key.startswith("elsewhere/"):
            self.heard[key] = _heard.decode(data)
        else:
            self.records[key] = _records.decode(data)

    def forget(self, key: str) -> None:
        self.learned.pop(key, None)
        self._blank.pop(key, None)
        self.records.pop(key, None)
        self.heard.pop(key, None)

    def derive_anew(self) -> None:
        """What is remembered was put back: a version may come again for other ends."""
        self._laws.clear()
        self._beliefs.clear()

    def encoded(self, key: str) -> bytes:
        return _encode(self.learned.get(key) or self.records.get(key) or self.heard[key])

    def keys(self) -> set[str]:
        return {*self.learned, *self.records, *self.heard}


def _keep(derived: OrderedDict[_K, _V], key: _K, value: _V) -> None:
    """As the newest; the oldest goes where they are too many."""
    derived.pop(key, None)
    derived[key] = value
    if len(derived) > MOST_DERIVED:
        derived.popitem(last=False)


def _stamp(of_kind: Learned, of_part: Learned | None) -> _Stamp:
    return of_kind.version, -1 if of_part is None else of_part.version


def _all_ends(learned: Learned) -> list[End]:
    """Of every basis: what is lost doesn't depend on what was said to be there."""
    return [end for ends in learned.ruling.values() for end in ends]
