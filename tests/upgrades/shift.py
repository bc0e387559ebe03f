"""A short shift for any version of the program: what the outside contract said from its first day on.

Times are the messages' own (``clock = "events"``): whoever opens the store later sees the same moment. Two
supplies run low, one is refilled; one station tells totals, one differences with a hole; one notice is taken.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

Json = dict[str, Any]
Message = tuple[str, Json]

BEGIN = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
TAKT = timedelta(seconds=20)
PANELS = 60
SLOTS = {"F07": 18, "F08": 4, "T2": 1}
LOST = {"F07": 8, "F08": 0, "T2": 0}
"""Of F07 one part is lost every that many panels; the others lose none."""

CONFIG = """
[site]
name = "Hollerbach"
timezone = "Europe/Vienna"
clock = "events"
[mqtt]
url = "{broker}"
[store]
url = "{store}"
[web]
port = {web}
[warn]
lead_panels = 12
[[outlet]]
name = "planner"
type = "webhook"
url = "http://127.0.0.1:9/nobody-listens"
"""


def at(panel: float) -> str:
    return (BEGIN + panel * TAKT).isoformat()


def before() -> Iterator[Message]:
    """What is known before the first panel."""
    parts = {"F07": "R-10K-0402", "F08": "C-100N", "T2": "MCU-48Q"}
    recipe = {"recipe": "main-board", "boards_per_panel": 4, "usage": SLOTS, "parts": parts}
    yield (
        "L3/order",
        {"at": at(0), "order": "4711", "recipe": "main-board", "panels": 480, "state": "running"},
    )
    for station in ("P1", "P2"):
        yield f"L3/{station}/recipe", {"at": at(0), **recipe}
        yield counted(station, 0)
    loads = [("P1", "F07", "tape", 5000), ("P1", "F08", "tape", 220), ("P1", "T2", "tray", 70)]
    loads += [("P2", "F07", "tape", 3000), ("P2", "T2", "tray", 160)]
    for number, (station, slot, kind, quantity) in enumerate(loads):
        body: Json = {"id": f"load-{number}", "slot": slot, "change": "loaded", "kind": kind}
        body |= {"part": parts[slot], "lot": f"A{number}", "quantity": quantity, "by": "badge 31"}
        yield f"L3/{station}/supply", {"at": at(0.5), **body}
    lamps = {"red": "off", "yellow": "off", "green": "on"}
    yield "L3/P1/tower", {"at": at(0.6), "lamps": lamps, "buzzer": "off"}
    yield "L3/P1/link", {"at": at(0.6), "state": "online"}


def panels(first: int, last: int) -> Iterator[Message]:
    """The counts of both stations, ``last`` included. P2's message 31 never comes."""
    for panel in range(first, last + 1):
        for station in ("P1", "P2"):
            if (station, panel) != ("P2", 30):
                yield counted(station, panel)
        if panel == 50:
            body = {"id": "refill", "slot": "F08", "change": "joined", "quantity": 2000, "by": "badge 31"}
            yield "L3/P1/supply", {"at": at(50.5), **body}


def counted(station: str, panel: int) -> Message:
    """Totals from P1, differences from P2; ``panel`` complete ones, 0 is the baseline."""
    totals = station == "P1"
    slots = {}
    for slot, usage in SLOTS.items():
        lost = panel // LOST[slot] if LOST[slot] else 0
        if totals:
            slots[slot] = {"placed": usage * panel, "lost": lost}
        elif slot != "F08":
            slots[slot] = {"placed": usage * (panel > 0)}
    body: Json = {"at": at(panel + 1), "session": "b3c1", "seq": panel + 1, "slots": slots}
    body["panels"] = panel if totals else int(panel > 0)
    return f"L3/{station}/count", body if totals else body | {"counts": "delta"}


def left(slot: str, panel: int) -> int:
    """What the books say is left at P1."""
    loaded = {"F07": 5000, "F08": 220 + 2000 * (panel >= 50), "T2": 70}[slot]
    return loaded - SLOTS[slot] * panel - (panel // LOST[slot] if LOST[slot] else 0)
