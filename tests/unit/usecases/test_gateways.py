"""What all sources in other languages have in common, whatever they speak."""

from __future__ import annotations

import pytest

from service.domain.model import SECOND
from service.usecases.gateways import Gateways
from service.wire.gateway import LARGEST_PAYLOAD, LONGEST_TOPIC
from service.wire.mapped import MappedTranslator
from service.wire.mapped_rules import MessageRule
from service.wire.native import Misfit
from service.wire.sparkplug import SparkplugTranslator
from service.wire.values import Rule
from tests.support.sparkplug_edge import INT64, Edge, metric

T0 = 1_772_432_047 * SECOND


def mapped() -> Gateways:
    rule = MessageRule(topic="hall/{line}/{station}/#", gives="link", take={"state": "s"})
    return Gateways({"mes": MappedTranslator("mes", [rule], [], "UTC")})


def hear(sources: Gateways, *, topic: int = 0, payload: int = 0) -> int:
    """How much is said by a message whose topic and payload are at least so long, in bytes."""
    name = b"hall/L3/P1/".ljust(topic, b"x")
    return len(sources.hear("mes", name, b'{"s": 1}'.ljust(payload), T0, retained=False) or ())


def test_what_is_larger_than_any_gateway_needs_is_refused_unread():
    assert hear(mapped(), topic=LONGEST_TOPIC, payload=LARGEST_PAYLOAD) == 1
    with pytest.raises(Misfit, match="the payload has 524289 bytes, more than 524288"):
        hear(mapped(), payload=LARGEST_PAYLOAD + 1)
    with pytest.raises(Misfit, match="the topic has 1001 bytes, more than 1000"):
        hear(mapped(), topic=LONGEST_TOPIC + 1)


def test_a_topic_that_is_no_text_is_refused():
    with pytest.raises(Misfit, match="the topic isn't UTF-8"):
        mapped().hear("mes", b"hall/\xff", b"{}", T0, retained=False)


def sparkplug(states: dict[str, bytes | None]) -> Gateways:
    rules = [Rule(name="{station}/{slot}/Placed", means="placed")]
    stored = {key: data for key, data in states.items() if data is not None}
    return Gateways({"hall": SparkplugTranslator("hall", rules, node="{line}")}, stored)


def test_who_died_while_we_were_away_is_asked_for_and_then_known_to_be_gone():
    edge, before = Edge(), sparkplug({})
    before.connected("hall", T0)
    birth = edge.nbirth(metric("P1/F07/Placed", 100, INT64))
    before.hear("hall", birth.topic.encode(), birth.payload, T0, retained=False)

    after = sparkplug(before.take_changes())
    after.connected("hall", T0 + 60 * SECOND)
    assert [source for source, _ in after.take_requests()] == ["hall"]
    moment = after.next_moment()
    assert moment is not None
    (said,) = after.look(moment)
    assert (said[1].address.kind, said[1].address.subject) == ("link", "L3/P1")
    assert b"offline" in said[1].payload
