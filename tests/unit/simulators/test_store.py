"""Supplies in the store: new ones under names of their own, begun ones that come again with what was left."""

from __future__ import annotations

import random

from hypothesis import given
from hypothesis import strategies as st

from simulators.plan import PartPlan
from simulators.store import Store, Supply

REEL = PartPlan(part="RES", full=5000, short=(0, 14))
TRAY = PartPlan(part="MCU", full=320, kind="tray", trays=2)


def chance() -> random.Random:
    return random.Random(4)


def test_no_two_new_supplies_have_one_name():
    store = Store(0.15)

    assert len({store.fetch(part, chance()).name for part in (REEL, TRAY) for _ in range(20)}) == 40


def test_a_begun_reel_comes_again_under_its_name_with_what_the_machine_believed_was_left():
    store = Store(0.15)
    reel = Supply("R1", REEL, label=5000, short=9, placed=2000, lost=20, unseen=5)

    store.take_back(reel)
    again = store.fetch(REEL, chance())

    assert (again.name, again.label, again.left) == ("R1", 2985, 2971)
    assert (again.placed, again.lost, again.unseen) == (0, 0, 0)
    assert store.fetch(REEL, chance()).name != "R1"


def test_begun_reels_go_out_in_the_order_they_came_and_only_for_their_part():
    store = Store(0.15)
    for name in ("R1", "R2"):
        store.take_back(Supply(name, REEL, label=4000, short=0))

    assert store.fetch(TRAY, chance()).label == 320
    assert [store.fetch(REEL, chance()).name for _ in range(2)] == ["R1", "R2"]


def test_what_is_empty_or_nearly_so_does_not_come_again():
    store = Store(0.15)
    store.take_back(Supply("R1", REEL, label=5000, short=5, placed=4995))
    store.take_back(Supply("R2", REEL, label=5000, short=0, placed=4251))
    store.take_back(Supply("R3", REEL, label=5000, short=0, placed=4250))

    assert store.fetch(REEL, chance()).name == "R3"


def test_what_was_fetched_in_vain_is_the_next_to_be_fetched():
    store = Store(0.15)
    store.take_back(Supply("R1", REEL, label=4000, short=0))
    fetched = store.fetch(REEL, chance())
    store.take_back(Supply("R2", REEL, label=4000, short=0))

    store.put_back(fetched)

    assert store.fetch(REEL, chance()) is fetched


@given(short=st.integers(0, 14), placed=st.integers(0, 4000), lost=st.integers(0, 100), share=st.floats(0, 1))
def test_what_the_machine_believes_is_over_by_what_is_short_and_what_it_did_not_count(
    short: int, placed: int, lost: int, share: float
):
    supply = Supply("R1", REEL, 5000, short, placed, lost, unseen=int(lost * share))

    assert supply.counted == supply.left + supply.short + supply.unseen
