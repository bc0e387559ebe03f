"""The truth: what the plant did, on the disk before anybody is told of it.

One JSON line for each message. Reading it back gives what the program must show in the end; nothing here asks
the program."""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

Json = dict[str, Any]
Place = tuple[str, str]
"""(line, station)"""


class Ledger:
    """Appends from any thread; what ``write`` returned from is on the disk."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file = path.open("ab")
        self._lock = threading.Lock()

    def write(self, entries: Iterable[tuple[str, Json]]) -> None:
        """(topic below the root, message) each, in the order in which they are published."""
        text = b"".join(json.dumps([topic, body]).encode() + b"\n" for topic, body in entries)
        with self._lock:
            self._file.write(text)
            self._file.flush()
            os.fsync(self._file.fileno())

    def close(self) -> None:
        self._file.close()


@dataclass(slots=True)
class Totals:
    """What one station counted in one session: the last number and, by slot, (placed, lost)."""

    seq: int = 0
    panels: int = 0
    slots: dict[str, tuple[int, int]] = field(default_factory=dict)


@dataclass(slots=True)
class Truth:
    """The ledger added up. ``declared`` and ``used`` by (line, station, slot)."""

    sessions: dict[Place, dict[str, Totals]] = field(default_factory=dict)
    deltas: set[Place] = field(default_factory=set)
    declared: dict[tuple[str, str, str], int] = field(default_factory=dict)
    usage: dict[Place, dict[str, int]] = field(default_factory=dict)
    supplies: set[str] = field(default_factory=set)
    garbage: set[str] = field(default_factory=set)
    messages: int = 0

    def used(self, place: Place, slot: str) -> int:
        """Placed or lost since the plant began."""
        return sum(sum(each.slots.get(slot, (0, 0))) for each in self.sessions[place].values())

    def book(self, line: str, station: str, slot: str) -> int:
        return self.declared[line, station, slot] - self.used((line, station), slot)

    def panels_left(self, line: str, station: str, slot: str) -> int:
        return self.book(line, station, slot) // self.usage[line, station][slot]

    def last(self, place: Place) -> tuple[str, int]:
        """The session the station is in and its last number."""
        session = next(reversed(self.sessions[place]))
        return session, self.sessions[place][session].seq


def read_truth(path: Path) -> Truth:
    """What a ledger adds up to; a message that stands in it twice was sent twice and counts once."""
    truth = Truth()
    with path.open("rb") as lines:
        for line in lines:
            topic, body = json.loads(line)
            truth.messages += 1
            add(truth, topic, body)
    return truth


def add(truth: Truth, topic: str, body: Json) -> None:
    line, station, kind = topic.split("/")[:3] if topic.count("/") > 1 else (*topic.split("/"), "")[:3]
    place = line, station
    if kind == "count":
        _add_count(truth, place, body)
    elif kind == "supply" and body["id"] not in truth.supplies:
        truth.supplies.add(body["id"])
        key = (*place, body["slot"])
        truth.declared[key] = truth.declared.get(key, 0) + body["quantity"]
    elif kind == "recipe":
        truth.usage[place] = body["usage"]
    elif kind == "garbage":
        truth.garbage.add(body["text"])


def _add_count(truth: Truth, place: Place, body: Json) -> None:
    totals = truth.sessions.setdefault(place, {}).setdefault(body["session"], Totals())
    if body["seq"] <= totals.seq:
        return
    totals.seq = body["seq"]
    delta = body.get("counts") == "delta"
    if delta:
        truth.deltas.add(place)
    totals.panels = body["panels"] + (totals.panels if delta else 0)
    for slot, count in body["slots"].items():
        before = totals.slots.get(slot, (0, 0)) if delta else (0, 0)
        totals.slots[slot] = before[0] + count["placed"], before[1] + count["lost"]
