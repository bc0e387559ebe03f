"""What lies ahead of a made-up line, said in panels: trays with the panels that each surely lasts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from service.domain.emptyings import Emptying, Supply
from service.domain.horizon import Horizon
from service.domain.model import Spread
from service.domain.plan import Window
from service.domain.policy import PlanRules, Policy
from service.domain.prospect import HORIZON, Prospect, Rest
from service.domain.state import KeptPlan, LineState
from service.domain.world import World
from tests.support.story import START

PLACE = ("L3", "P1")


class Ahead:
    """``ends``: the panel, counted from the beginning, that each tray of ``full`` parts surely completes
    last; one part a panel. Nothing is decided here."""

    def __init__(self, full: int = 60, *, panels: int = HORIZON, rests: Iterable[Rest] = (), **rules: object):
        rule = PlanRules(**({"waste_share": 0.1} | rules))  # type: ignore[arg-type]
        self.world = World(policy=Policy(plan=rule))
        self.station = self.world.station(*PLACE)
        self.line: LineState = self.world.line("L3")
        self.ends: dict[str, int] = {}
        self.full, self.panels, self.rests = full, panels, tuple(rests)

    @property
    def now(self) -> int:
        return self.station.progress

    def load(self, slot: str, panels: int) -> None:
        state = self.world.slot(self.station, slot)
        state.kind, state.part = "tray", f"part-{slot}"
        state.loading = f"{slot}-{self.now}-{panels}"
        self.world.look(self.station, state)
        self.ends[slot] = self.now + panels

    def prospect(self, **off: int) -> Prospect:
        """As it is now; ``off``: so many panels are some slots' numbers off just now."""
        bare = Prospect(
            line=self.line,
            rules=self.world.policy.plan,
            at=START,
            panels=self.panels,
            tempo=None,
            rests=self.rests,
            windows=(),
            unspoken=Counter(),
            fetched=0,
            as_of=None,
        )
        sure = {slot: end - self.now + off.get(slot, 0) for slot, end in self.ends.items()}
        windows = [self._window(bare, slot, left) for slot, left in sorted(sure.items())]
        within = [each for each in windows if each.last <= self.panels]
        return Prospect(**{name: getattr(bare, name) for name in bare.__slots__} | {"windows": tuple(within)})

    def keep(self, prospect: Prospect, stops: object) -> None:
        self.line.plan = KeptPlan(prospect.at, stops)  # type: ignore[arg-type]

    def _window(self, bare: Prospect, slot: str, left: int) -> Window[Emptying]:
        state = self.station.slots[slot]
        panels = Spread(left, left + 1, left + 1)
        supply = Supply(
            station=self.station,
            slot=state,
            sight=self.world.sights_of(self.station)[slot],
            stops=True,
            left=float(left + 1),
            full=float(self.full),
            panels=panels,
            gives=Spread(self.full - 1.0, float(self.full), float(self.full)),
            horizon=Horizon(usage=1.0),
            needed=None,
        )
        return Emptying(supply, 1, panels, float(left + 1)).window(bare.terms)
