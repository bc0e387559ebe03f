"""What a source on trial would have counted: the rules of all others, and nobody hears of it."""

from __future__ import annotations

import json
from typing import Any

from service.domain.model import SECOND, to_rfc3339
from service.domain.policy import Policy
from service.usecases.batch import Inbound
from service.usecases.on_trial import OnTrial
from service.wire.own import NativeTranslator

NOW = 1_772_431_200 * SECOND


class Plant:
    """One gateway that says everything twice: to what counts, and to what is on trial."""

    def __init__(self) -> None:
        self.now = NOW
        self.truth = self._side("truth", "floor")
        self.trial = self._side("north", "north/floor")

    def _side(self, name: str, root: str) -> OnTrial:
        return OnTrial(name, NativeTranslator(root), Policy(), clock=lambda: self.now)

    def say(self, topic: str, *sides: str, **body: Any) -> None:
        self.now += SECOND
        for side, name, root in ((self.truth, "truth", "floor"), (self.trial, "north", "north/floor")):
            if not sides or name in sides:
                payload = json.dumps(body).encode()
                side.ingest.take([Inbound(f"{root}/{topic}".encode(), payload, False, (0, 0), name)])
        self.trial.look(self.truth.ingest.committed)

    def count(self, seq: int, panels: int, placed: int, lost: int, *sides: str) -> None:
        slots = {"T2": {"placed": placed, "lost": lost}}
        self.say(
            "L3/P1/count",
            *sides,
            at=to_rfc3339(self.now + SECOND),
            session="a",
            seq=seq,
            panels=panels,
            slots=slots,
        )

    @property
    def moment(self) -> str:
        return to_rfc3339(self.now)

    @property
    def slot(self) -> Any:
        (slot,) = self.trial.figures()["slots"]
        return slot["trial"], slot["counted"]


def test_what_both_heard_is_counted_alike_over_several_loadings():
    plant = Plant()
    plant.count(1, 0, 0, 0)
    plant.say("L3/P1/supply", slot="T2", change="loaded", quantity=40, id="one")
    plant.count(2, 10, 10, 1)
    plant.say("L3/P1/supply", slot="T2", change="loaded", quantity=40, id="two")
    plant.count(3, 25, 25, 1)

    assert plant.slot == ({"placed": 25, "lost": 1}, {"placed": 25, "lost": 1})
    (panels,) = plant.trial.figures()["panels"]
    assert (panels["trial"], panels["counted"]) == (25, 25)


def test_what_was_counted_before_the_trial_began_is_not_held_against_it():
    plant = Plant()
    plant.count(1, 0, 0, 0, "truth")
    plant.count(2, 90, 90, 2, "truth")
    plant.count(3, 100, 100, 2)
    plant.count(4, 110, 112, 3)

    assert plant.slot == ({"placed": 12, "lost": 1}, {"placed": 12, "lost": 1})


def test_a_supply_that_is_said_late_moves_what_was_counted_and_counts_nothing_twice():
    plant = Plant()
    plant.count(1, 0, 0, 0)
    plant.say("L3/P1/supply", slot="T2", change="loaded", quantity=90, id="one", at=plant.moment)
    for panels in range(1, 41):
        plant.count(panels + 1, panels, panels, 0)
    early = plant.moment
    for panels in range(41, 61):
        plant.count(panels + 1, panels, panels, 0)
    plant.say("L3/P1/supply", slot="T2", change="loaded", quantity=90, id="two", at=early)

    assert plant.slot == ({"placed": 60, "lost": 0}, {"placed": 60, "lost": 0})


def test_a_slot_that_nobody_counts_yet_has_nothing_beside_it():
    plant = Plant()
    plant.count(1, 0, 0, 0, "north")
    plant.count(2, 5, 5, 0, "north")

    assert plant.slot == ({"placed": 5, "lost": 0}, None)


def test_what_it_could_not_count_is_said_with_its_reason_and_how_often():
    plant = Plant()
    for _ in range(3):
        plant.say("L3/P1/count", "north", slots={"T2": {"placed": -1}})

    (refused,) = plant.trial.figures()["refused"]
    assert refused["times"] == 3
    assert "placed" in refused["reason"]


def test_the_world_in_truth_never_hears_of_it():
    plant = Plant()
    plant.count(1, 0, 0, 0)
    before = dict(plant.truth.ingest.committed)
    plant.count(2, 10, 10, 0, "north")

    assert plant.truth.ingest.committed == before
