"""Refused messages of a source in another language: one tally for all it says, told by its name."""

from __future__ import annotations

from collections.abc import Sequence

from service.domain.model import SECOND
from service.domain.notices import Told
from service.domain.refusals import QUIET
from service.domain.world import World
from service.usecases.batch import Inbound
from service.usecases.gateways import Gateways
from service.usecases.ingest import Ingest
from service.usecases.on_trial import Unkept
from service.wire.own import NativeTranslator
from tests.support.story import START

GOOD = b'{"lamps": {"green": "on"}}'


class Floor:
    def __init__(self) -> None:
        self.now = START
        self.ingest = self.waking(World())

    def waking(self, world: World) -> Ingest:
        return Ingest(
            world=world,
            ledger=Unkept(),
            committed={},
            position=0,
            last_at=0,
            clock=lambda: self.now,
            root="floor",
            sources=Gateways({"north": NativeTranslator("north")}),
        )

    def say(self, *payloads: bytes, topic: bytes = b"north/L3/P1/tower", source: str = "north") -> list[str]:
        told: list[Told] = []
        for payload in payloads:
            self.now += SECOND
            told += self.ingest.take([Inbound(topic, payload, False, (1, 1), source)]).told
        return _words(told)

    def calm(self) -> list[str]:
        calm = self.ingest.calm()
        return _words(self.ingest.take(calm).told) if calm else []


def _words(told: Sequence[Told]) -> list[str]:
    return [f"{each.change} {each.notice.about} {each.notice.line}" for each in told]


def test_a_fifth_of_what_a_source_says_is_too_much_whatever_its_topics_name():
    floor = Floor()
    assert floor.say(GOOD, b"1", *[GOOD] * 14, *[b"no"] * 3) == []
    assert floor.say(b"no") == ["opened north None"]
    assert floor.say(*[b"no"] * 20) == [], "once"


def test_a_few_among_many_that_fit_are_nobodys_worry():
    assert Floor().say(*([GOOD] * 9 + [b"no"]) * 8) == []


def test_one_source_is_not_blamed_for_another():
    floor = Floor()
    floor.say(*[b"no"] * 4)
    assert floor.say(b"no", topic=b"floor/L3/P1/tower", source="") == []
    assert floor.say(*[b"no"] * 4, topic=b"floor/L3/P1/tower", source="") == ["opened  None"]


def test_it_ends_when_nothing_was_refused_for_long_after_a_start_of_ours_too():
    floor = Floor()
    floor.say(*[b"no"] * 5)
    floor.now += QUIET
    assert floor.calm() == ["closed north None"]
    floor.say(*[b"no"] * 5)
    floor.ingest = floor.waking(floor.ingest.world)
    assert floor.calm() == []
    floor.now += QUIET
    assert floor.calm() == ["closed north None"]
