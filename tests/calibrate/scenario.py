"""The plants that supply histories are made up for, and what is asked of the forecast in each.

Invented numbers of a usual size: reels of one to three thousand parts, ten to fifteen parts a panel, half a
per cent lost.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from tests.calibrate.supply import Label, Loss, Sort

LEAD = 10
CHANCE = 0.1


@dataclass(frozen=True, kw_only=True)
class Skips:
    """Boards of a panel that are marked bad and get no parts: with the chance ``calm`` each, or ``bad`` while
    a bad batch runs; it begins with the chance ``begins`` a panel and ends with the chance ``ends``."""

    calm: float
    bad: float
    begins: float
    ends: float


@dataclass(frozen=True, kw_only=True)
class Bounds:
    """What is promised: CRPS as a multiple of the oracle's that doesn't know the quantity and of the naive
    one's, at most; ``inside`` the 90 % interval; ``short``: the share of warnings that came late, at 99 %
    confidence; ``excess``: mean panels that they come before the lead. ``None``: nothing is promised."""

    oracle: float = 1.08
    naive: float = 0.70
    excess: float | None = 2.0
    inside: tuple[float, float] = (0.85, 0.96)
    short: float | None = 1.2 * CHANCE


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """``sorts`` go round the slots. ``later``: the label law of the full ones from ``turn`` (a share of the
    supplies that are tested) on. ``pairs``: two slots feed the same placements, by turns or one after the
    other. ``sensor``: mean and deviation of the parts left when a physical sensor says low."""

    name: str
    sorts: tuple[Sort, ...]
    bounds: Bounds = Bounds()
    boards: int = 1
    skips: Skips | None = None
    tells_losses: bool = True
    pairs: bool = False
    sensor: tuple[float, float] | None = None
    orders: bool = False
    later: Label | None = None
    turn: float = 0.3


_PLAIN = Label(mean=-3.0, deviation=7.0)
_LOSS = Loss(mean=0.005)


def _tapes(label: Label = _PLAIN, loss: Loss = _LOSS, boards: int = 1) -> tuple[Sort, ...]:
    """Five parts on tape; usage is for a panel."""
    sizes: tuple[tuple[str, int, int], ...] = (
        ("C-100N-0603", 8, 1500),
        ("R-10K-0402", 10, 1800),
        ("R-4K7-0402", 12, 2000),
    )
    sizes += (("D-BAV-SOT", 12, 2500), ("L-2U2-0805", 16, 3000))
    return tuple(
        Sort(part=part, usage=usage // boards, full=full, label=label, loss=loss)
        for part, usage, full in sizes
    )


_MIXED = (
    Sort(part="C-100N-0603", usage=12, full=3000, label=_PLAIN, loss=_LOSS, partial=0.4),
    Sort(
        part="R-10K-0402", usage=10, full=2000, label=Label(mean=-8, relative=0.012), loss=_LOSS, partial=0.3
    ),
    Sort(part="L-2U2-0805", usage=6, full=1500, label=_PLAIN, loss=Loss(mean=0.02), partial=0.3),
    Sort(part="MCU-48Q", usage=1, full=160, label=Label(), loss=Loss(mean=0.002), kind="tray"),
    Sort(part="OPA-8S", usage=2, full=95, label=Label(), loss=Loss(mean=0.004), kind="stick"),
)

SCENARIOS = {
    each.name: each
    for each in (
        Scenario(name="stable", sorts=_tapes()),
        Scenario(name="drifting loss", sorts=_tapes(loss=Loss(mean=0.003, drift=5.0))),
        Scenario(
            name="jumping loss",
            sorts=_tapes(loss=Loss(mean=0.004, jump=8.0, up=1 / 60, down=1 / 15)),
            bounds=Bounds(oracle=1.16),
        ),
        Scenario(
            name="unknown start",
            sorts=_tapes(Label(deviation=100.0)),
            bounds=Bounds(naive=0.85, excess=None),
        ),
        Scenario(
            name="low sensor",
            sorts=_tapes(Label(deviation=100.0)),
            sensor=(200.0, 3.0),
            bounds=Bounds(naive=0.85, excess=None),
        ),
        # It speaks when fewer panels are left than the lead: what it says then is news to anybody.
        Scenario(
            name="late sensor",
            sorts=_tapes(Label(deviation=100.0)),
            sensor=(120.0, 3.0),
            bounds=Bounds(naive=0.85, short=None, excess=None),
        ),
        Scenario(
            name="skipped boards",
            sorts=_tapes(boards=4),
            boards=4,
            skips=Skips(calm=0.01, bad=0.25, begins=0.01, ends=0.04),
        ),
        Scenario(
            name="placements only",
            sorts=_tapes(loss=Loss(mean=0.01)),
            tells_losses=False,
            bounds=Bounds(oracle=1.16),
        ),
        Scenario(
            name="end effects",
            sorts=_tapes(
                Label(mean=-2.0, deviation=5.0, waste=30, share=0.1, tail=40.0, end=25, end_loss=0.3)
            ),
        ),
        Scenario(name="alternates", sorts=_tapes(), pairs=True),
        Scenario(name="mixture", sorts=_MIXED, orders=True, bounds=Bounds(excess=None)),
        Scenario(
            name="law that changes",
            sorts=_tapes(),
            later=replace(_PLAIN, mean=-25.0, deviation=10.0, waste=20),
        ),
    )
}
