"""What a line is made of, and the made-up line of the demo.

Everything here is invented: plant, parts, recipes and people. Full quantities are those usual in the trade
(0402 chips 10,000 on a reel, SOIC-8 2,500, an LQFP-64 tray of 8 × 20). Times are seconds, chances are per
pick or panel.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

Range = tuple[float, float]
"""From and to; a value between is drawn evenly."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotPlan:
    """One place for a supply. ``first`` is what it holds when the shift begins; of a new supply between
    ``short[0]`` and ``short[1]`` parts are missing from what its label says."""

    slot: str
    part: str
    full: int
    first: int
    loss: float
    low_at: int
    kind: Literal["tape", "tray"] = "tape"
    short: tuple[int, int] = (0, 0)

    @property
    def boundary_only(self) -> bool:
        return self.kind == "tray"


@dataclass(frozen=True, slots=True, kw_only=True)
class StationPlan:
    """A placement machine. ``room`` is how many panels fit between it and the station before it."""

    station: str
    slots: tuple[SlotPlan, ...]
    takt: float
    takt_sigma: float = 0.04
    stop_chance: float = 0.012
    stop_seconds: Range = (8.0, 45.0)
    room: int = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class RecipePlan:
    """``usage`` and ``alternates`` by station; slots listed together in ``alternates`` feed one another's
    placements, counted under the one that ``usage`` names."""

    recipe: str
    boards_per_panel: int
    usage: Mapping[str, Mapping[str, int]]
    alternates: Mapping[str, tuple[tuple[str, ...], ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class PeoplePlan:
    """How soon somebody stands at the slot, supply in hand, after each way of learning that it is needed.
    ``forgets`` is the share of first warnings that nobody acts on."""

    names: tuple[str, ...]
    warned: Range = (40.0, 130.0)
    forgets: float = 0.1
    reminded: Range = (20.0, 60.0)
    saw_tower: Range = (150.0, 420.0)
    heard_buzzer: Range = (35.0, 120.0)
    splices: float = 0.3
    exchange: Range = (12.0, 25.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class LinePlan:
    plant: str
    line: str
    stations: tuple[StationPlan, ...]
    recipes: tuple[RecipePlan, ...]
    people: PeoplePlan
    order_panels: tuple[int, int]
    changeover: Range = (90.0, 180.0)
    queued_ahead: int = 2

    def named(self, line: str) -> LinePlan:
        """The same line under another name."""
        return replace(self, line=line)


def _tape(slot: str, part: str, full: int, first: int, loss: float, low_at: int) -> SlotPlan:
    return SlotPlan(slot=slot, part=part, full=full, first=first, loss=loss, low_at=low_at, short=(0, 14))


def _tray(slot: str, part: str, full: int, first: int, loss: float, low_at: int) -> SlotPlan:
    return SlotPlan(slot=slot, part=part, full=full, first=first, loss=loss, low_at=low_at, kind="tray")


_CHIPS = StationPlan(
    station="P1",
    takt=16.0,
    slots=(
        _tape("F01", "RES-4K7-0402", 10_000, 2_900, 0.004, 100),
        _tape("F02", "CAP-100N-0402", 10_000, 1_500, 0.003, 90),
        _tape("F03", "CAP-100N-0402", 10_000, 6_200, 0.003, 90),
        _tape("F04", "RES-220R-0603", 5_000, 900, 0.006, 50),
        _tape("F05", "CAP-1U-0603", 4_000, 560, 0.002, 60),
        _tape("F06", "CAP-10U-0805", 4_000, 1_700, 0.002, 30),
        _tape("F07", "DIO-SIG-SOT23", 3_000, 840, 0.005, 24),
        _tape("F08", "LED-GRN-0603", 4_000, 2_250, 0.008, 20),
        _tape("F09", "FER-600R-0603", 4_000, 3_100, 0.003, 12),
        _tape("F10", "RES-ZERO-0402", 10_000, 8_400, 0.004, 10),
    ),
)
_LARGE = StationPlan(
    station="P2",
    takt=17.0,
    takt_sigma=0.06,
    slots=(
        _tape("F21", "OPA-DUAL-SOIC8", 2_500, 1_300, 0.003, 16),
        _tape("F22", "DRV-GATE-TSSOP8", 2_000, 470, 0.004, 12),
        _tape("F23", "REG-5V-DDPAK", 500, 95, 0.002, 5),
        _tray("T1", "MCU-LQFP64", 160, 64, 0.002, 4),
        _tray("T2", "PHY-LQFP100", 90, 24, 0.003, 4),
        _tray("T3", "DSP-LQFP144", 60, 44, 0.002, 4),
    ),
)
_TOP = RecipePlan(
    recipe="BRINE-TOP",
    boards_per_panel=2,
    usage={
        "P1": {"F01": 24, "F02": 22, "F04": 12, "F05": 16, "F06": 8, "F07": 6, "F08": 4, "F09": 3, "F10": 2},
        "P2": {"F21": 4, "F22": 3, "F23": 1, "T1": 1, "T2": 1, "T3": 1},
    },
    alternates={"P1": (("F02", "F03"),)},
)
_LITE = RecipePlan(
    recipe="BRINE-LITE",
    boards_per_panel=2,
    usage={
        "P1": {"F01": 18, "F02": 14, "F04": 16, "F05": 12, "F06": 8, "F07": 4, "F08": 10, "F09": 2},
        "P2": {"F21": 4, "F22": 2, "F23": 2, "T1": 1, "T2": 1, "T3": 1},
    },
    alternates={},
)

DEMO_LINE = LinePlan(
    plant="Tarnquay Works",
    line="L3",
    stations=(_CHIPS, _LARGE),
    recipes=(_TOP, _LITE),
    people=PeoplePlan(names=("Ilse Marrow", "Oke Tammer", "Bea Quillon")),
    order_panels=(180, 420),
)
"""Two heads, a fast one for chips and a second for what is large, set up once for a family of two recipes."""
