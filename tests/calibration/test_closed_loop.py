"""The bell in closed loop with simulated plants: shifts in virtual time, judged by the plant's own ledger.

The plant knows what no machine knows: what is really in a reel, which parts were lost uncounted. The figures
of whole shifts over many seeds come from ``make evaluate``; here are shorter ones on seeds that nothing was
tuned on, and what must hold exactly.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from simulators.events import Event, PanelMade, Refilled
from simulators.plan import GatewayPlan
from simulators.scenario import Scenario, load_scenario, shipped
from simulators.tally import Outcome
from tests.support.closed_loop import ClosedLoop

MESSAGES = 2.6
"""For each supply at its end, over three shifts, at most. A warning that keeps to the lead leaves less time
than one that comes far too early, so more of them turn urgent before somebody is there."""


def scenario(name: str) -> Scenario:
    return load_scenario(shipped()[name])


class Truth:
    """Compares, at every panel, what is believed of every slot with what is really in it; not while the word
    of an exchange is still on its way."""

    def __init__(self) -> None:
        self.panels = self.late = 0
        self._in_there: dict[tuple[str, str, str], str] = {}
        self.off: list[int] = []
        """Parts that the books say more than there are."""
        self.unexplained: list[float] = []
        """What of it the ledger can't explain, in panels' worth of parts."""

    def __call__(self, loop: ClosedLoop, line: str, event: Event) -> None:
        if isinstance(event, Refilled):
            self._in_there[line, event.station, event.slot] = event.supply
        if not isinstance(event, PanelMade) or (line, event.station) not in loop.world.stations:
            return
        station = loop.world.stations[line, event.station]
        if station.panels != event.panels:
            self.late += 1
            return
        self.panels += 1
        for name, left in event.left.items():
            slot = station.slots[name]
            book = slot.book
            if book is None:
                continue
            if not (slot.supply or "").startswith(self._in_there.get((line, event.station, name), "")):
                self.late += 1
                continue
            usage = loop.world.sights_of(station)[name].usage
            unexplained = book - left - event.unseen[name] - event.short[name]
            self.off.append(book - left)
            self.unexplained.append(unexplained / usage if usage else float(unexplained != 0))


def test_what_is_believed_differs_from_the_truth_by_losses_nobody_reported_and_by_what_labels_promise():
    """At every panel, in every slot, to the part; with gateways that say everything, once each."""
    day = replace(scenario("two-lines-by-day"), gateways=GatewayPlan())
    truth = Truth()
    ClosedLoop(day, seed=901, watch=truth).run(2.0)
    assert truth.panels > 1000
    assert truth.late == 0
    assert set(truth.unexplained) == {0.0}
    assert max(truth.off) > 0, "there was something to explain"


def test_where_a_gateway_repeats_reorders_and_loses_counts_the_next_one_puts_it_right():
    """Only a count lost just before an exchange leaves something: nobody can tell on which side of the
    exchange its panel was."""
    day = replace(
        scenario("two-lines-by-day"),
        gateways=GatewayPlan(repeat=0.05, reorder=0.05, window=4, lose=0.05, clock_lies={"L1/P2": -40.0}),
    )
    truth = Truth()
    ClosedLoop(day, seed=902, watch=truth).run(2.0)
    assert truth.panels > 1000
    assert truth.late > 50, "counts were lost and late"
    assert sum(each == 0.0 for each in truth.unexplained) > 0.95 * len(truth.unexplained)
    assert max(map(abs, truth.unexplained)) <= 3.0


def _messages(shift: Outcome) -> tuple[int, int]:
    return shift.messages, len(shift.emptyings)


@pytest.mark.parametrize(
    ("name", "seed"), [("two-lines-by-day", 903), ("three-lines-by-night", 904), ("counts-and-lamps", 905)]
)
def test_with_the_bell_a_shift_waits_less_and_nobody_is_flooded(name, seed):
    hours = 3.0
    shift = scenario(name)
    alone = ClosedLoop(shift, seed=seed, bell=False).run(hours)
    bell = ClosedLoop(shift, seed=seed).run(hours)
    assert alone.stops >= 8, "towers alone leave something to gain"
    assert bell.stops <= 0.6 * alone.stops
    assert bell.minutes <= 0.6 * alone.minutes
    assert bell.panels > alone.panels
    assert len(bell.untold) == 0, bell.untold
    more = [ClosedLoop(shift, seed=seed + 30 * later).run(hours) for later in (1, 2)]
    messages, emptyings = (sum(each) for each in zip(*map(_messages, [bell, *more]), strict=True))
    assert messages / emptyings <= MESSAGES
