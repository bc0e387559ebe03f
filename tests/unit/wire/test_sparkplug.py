"""Edge nodes by script against the translator: what Eclipse Sparkplug 3.0.0 binds a host application to do
with births, data, deaths and order. Which assertion of it each test is for stands in
``tests/integration/test_sparkplug_host.py``."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.events import CountMessage, LinkMessage
from service.domain.model import SECOND, Instant, from_datetime, from_rfc3339
from service.wire.gateway import Request
from service.wire.native import Misfit, read_message
from service.wire.sparkplug import ANSWER, ASK_AGAIN, SparkplugTranslator
from service.wire.values import Rule
from tests.support import sparkplug_edge as spb
from tests.support.sparkplug_edge import Edge, Message

RULES = [
    Rule(name="Feeders/{slot}/Placed", means="placed"),
    Rule(name="Feeders/{slot}/Lost", means="lost"),
    Rule(name="Panels", means="panels"),
]
AT = 1_772_431_200_000_000
REORDER = 2 * SECOND


class Floor:
    """The translator, and what it said so far. ``at`` is our clock."""

    def __init__(self, rules: list[Rule] = RULES, **options: Any) -> None:
        self.make: Callable[[], SparkplugTranslator] = lambda: SparkplugTranslator(
            "hall", rules, **{"node": "{line}", "device": "{station}", **options}
        )
        self.translator = self.make()
        self.at: Instant = AT
        self.placed: dict[str, int] = {}
        self.lost: dict[str, int] = {}
        self.panels: dict[str, int] = {}
        self.links: dict[str, str] = {}
        self.offline_at: dict[str, Instant | None] = {}
        self.messages = 0
        self.stored: dict[str, bytes] = {}

    def hear(self, *messages: Message) -> None:
        for message in messages:
            said = self.translator.hear(message.topic, message.payload, at=self.at)
            self._believe(said or ())

    def wait(self, span: Instant) -> None:
        """As long as that, looking whenever the translator wants to."""
        until = self.at + span
        while (moment := self.translator.next_moment()) is not None and moment <= until:
            self.at = max(self.at, moment)
            self._believe(self.translator.look(self.at))
        self.at = until

    def asked(self) -> list[Request]:
        return list(self.translator.take_requests())

    def restart(self) -> None:
        """A new process that finds what was committed."""
        for key, data in self.translator.memory.take_changes().items():
            assert data is not None, "nothing is forgotten"
            self.stored[key] = data
        self.translator = self.make()
        self.translator.memory.restore(self.stored)
        self.translator.begin_anew()
        self.connect()

    def connect(self) -> None:
        self._believe(self.translator.connected(self.at))

    def _believe(self, natives: Any) -> None:
        for address, payload in natives:
            message = read_message(address, payload)
            place = address.subject
            self.messages += 1
            if isinstance(message, LinkMessage):
                self.links[place] = message.state
                at = None if message.at is None else from_datetime(message.at)
                self.offline_at[place] = at if message.state == "offline" else None
            elif isinstance(message, CountMessage):
                self.placed |= {f"{place}/{name}": slot.placed for name, slot in message.slots.items()}
                self.lost |= {f"{place}/{name}": slot.lost or 0 for name, slot in message.slots.items()}
                if message.panels is not None:
                    self.panels[place] = message.panels


def placed(total: int | None, slot: str = "F07", **more: Any) -> bytes:
    return spb.metric(f"Feeders/{slot}/Placed", total, spb.INT64, **more)


def alone(total: int, alias: int, **more: Any) -> bytes:
    """As data may say it: the alias, and no type."""
    return spb.metric(None, total, spb.INT64, alias=alias, untyped=True, **more)


def born(edge: Edge, floor: Floor, total: int = 100, device: str = "P1") -> None:
    floor.hear(edge.nbirth(), edge.dbirth(device, placed(total, alias=7)))


def test_births_name_what_data_says_by_alias_and_counts_begin_with_the_birth() -> None:
    floor, edge = Floor(), Edge()
    born(edge, floor)
    floor.hear(edge.ddata("P1", alone(118, 7)), edge.ddata("P1", placed(136)))
    assert floor.placed == {"L3/P1/F07": 36}
    assert floor.links == {"L3/P1": "online"}
    assert floor.asked() == []


def test_the_numbers_go_round_over_a_node_and_its_devices() -> None:
    """254, 255, 0, 1 is no gap (6.4.3: from 255 on to zero)."""
    floor, edge = Floor(), Edge()
    born(edge, floor)
    for total in range(101, 101 + 600):
        floor.hear(edge.ddata("P1", alone(total, 7)) if total % 2 else edge.ndata(spb.metric("Load", total)))
        floor.wait(SECOND)
    assert (floor.placed, floor.asked()) == ({"L3/P1/F07": 599}, [])


def test_what_comes_too_early_waits_and_is_heard_in_order_when_the_missing_comes() -> None:
    """1, 2, 4: a timer; then 3: it ends, and 3 is applied before 4 (5.8, host-reordering-*)."""
    floor, edge = Floor(), Edge()
    born(edge, floor)
    two, three, four = (edge.ddata("P1", alone(total, 7)) for total in (110, 120, 130))
    floor.hear(two, four)
    assert floor.placed == {"L3/P1/F07": 10}
    assert floor.translator.next_moment() == floor.at + REORDER
    floor.wait(REORDER - 1)
    before = floor.messages
    floor.hear(three)
    assert floor.placed == {"L3/P1/F07": 30}
    assert floor.messages == before + 2, "each was said by itself"
    assert floor.translator.next_moment() is None
    floor.wait(60 * SECOND)
    assert floor.asked() == []


def test_what_stays_missing_lets_the_node_be_born_again() -> None:
    floor, edge = Floor(), Edge()
    born(edge, floor)
    edge.ddata("P1", alone(110, 7))
    floor.hear(edge.ddata("P1", alone(120, 7)))
    assert floor.asked() == []
    floor.wait(REORDER)
    (request,) = floor.asked()
    assert request.topic == "spBv1.0/Hollerbach/NCMD/L3"
    assert floor.placed == {"L3/P1/F07": 0}, "what came after a hole isn't believed"
    born(edge, floor, 130)
    assert floor.placed == {"L3/P1/F07": 30}
    assert floor.translator.gaps == 1


@pytest.mark.parametrize(("seconds", "span"), [(0, 0), (5, 5 * SECOND)])
def test_how_long_a_message_may_be_late_is_configured(seconds: int, span: Instant) -> None:
    floor, edge = Floor(reorder=seconds * SECOND), Edge()
    born(edge, floor)
    edge.ddata("P1")
    floor.hear(edge.ddata("P1", alone(120, 7)))
    floor.wait(span - 1 if span else 0)
    assert len(floor.asked()) == (span == 0)
    floor.wait(1)
    assert len(floor.asked()) == (span != 0)


def test_a_repeated_message_changes_nothing() -> None:
    floor, edge = Floor(), Edge()
    born(edge, floor)
    data = edge.ddata("P1", alone(110, 7))
    floor.hear(data)
    assert floor.translator.hear(data.topic, data.payload, at=floor.at) is None
    assert floor.placed == {"L3/P1/F07": 10}
    assert floor.translator.next_moment() is None


def test_a_gap_of_more_than_half_a_round_is_no_repeat() -> None:
    floor, edge = Floor(), Edge()
    born(edge, floor)
    for total in range(200):
        edge.ddata("P1", alone(100 + total, 7))
    floor.hear(edge.ddata("P1", alone(400, 7)))
    floor.wait(REORDER)
    assert len(floor.asked()) == 1


def test_an_old_number_with_a_newer_time_is_of_a_birth_that_was_missed() -> None:
    """As after a rebirth that another host asked for, whose births were lost: aliases may be others now."""
    floor, edge = Floor(), Edge()
    born(edge, floor)
    for total in (110, 120, 130):
        floor.hear(edge.ddata("P1", alone(total, 7)))
    edge.at += 1000
    edge.nbirth()
    edge.dbirth("P1", placed(130, alias=9), spb.metric("Feeders/F07/Lost", 1, alias=7))
    floor.hear(edge.ddata("P1", alone(2, 7)))
    floor.wait(REORDER)
    assert (floor.placed, len(floor.asked())) == ({"L3/P1/F07": 30}, 1)


def test_what_comes_after_the_next_birth_and_is_older_says_nothing() -> None:
    floor, edge = Floor(), Edge()
    born(edge, floor)
    for total in range(101, 255):
        floor.hear(edge.ddata("P1", alone(total, 7)))
    edge.seq = 1
    late = edge.ddata("P1", alone(999, 7))
    edge.at += 1
    born(edge, floor, 300)
    assert floor.translator.hear(late.topic, late.payload, at=floor.at) is None
    floor.hear(edge.ddata("P1", alone(310, 7)))
    assert floor.placed == {"L3/P1/F07": 210}
    floor.wait(REORDER)
    assert len(floor.asked()) == 1, "for its clock may have been set back"


@pytest.mark.parametrize("takes_rebirths", [True, False])
def test_an_edge_whose_clock_is_set_back_is_heard_again(takes_rebirths: bool) -> None:
    floor, edge = Floor(), Edge(takes_rebirths=takes_rebirths)
    born(edge, floor)
    edge.at -= 3_600_000
    for total in range(110, 130, 10):
        floor.hear(edge.ddata("P1", alone(total, 7)))
    floor.wait(REORDER)
    assert len(floor.asked()) == edge.takes_rebirths
    if edge.takes_rebirths:
        born(edge, floor, 130)
    floor.hear(edge.ddata("P1", alone(140, 7)))
    floor.wait(REORDER)
    assert floor.placed == {"L3/P1/F07": 40}


def test_a_rebirth_request_is_one_command_by_name() -> None:
    floor = Floor()
    floor.hear(Edge().ddata("P1", alone(1, 7)))
    (request,) = floor.asked()
    assert request[0] == "spBv1.0/Hollerbach/NCMD/L3"
    assert (request.qos, request.retain) == (0, False)
    command = spb.read_command(request.payload)
    assert command.fields == {1: AT // 1000}, "a time, and no seq"
    (metric,) = command.metrics
    assert (metric[1], metric[4], metric[14]) == (b"Node Control/Rebirth", spb.BOOLEAN, 1)
    assert 2 not in metric, "no alias"


def test_a_node_whose_birth_was_not_heard_is_asked_for_it_and_not_more_often_than_it_can_answer() -> None:
    floor, edge = Floor(), Edge()
    for _ in range(5):
        floor.hear(edge.ddata("P1", alone(1, 7)))
        floor.wait(SECOND)
    assert len(floor.asked()) == 1
    floor.wait(ASK_AGAIN)
    assert len(floor.asked()) == 1, "what came meanwhile is asked for when it may be"
    assert floor.placed == {}


def test_data_of_a_device_that_was_not_born_asks_for_its_birth() -> None:
    floor, edge = Floor(), Edge()
    floor.hear(edge.nbirth(), edge.ddata("P1", alone(1, 7)))
    assert len(floor.asked()) == 1


def test_an_alias_that_no_birth_named_asks_for_one_and_the_rest_counts() -> None:
    floor, edge = Floor(), Edge()
    born(edge, floor)
    floor.hear(edge.ddata("P1", alone(110, 7), alone(5, 99)))
    assert floor.placed == {"L3/P1/F07": 10}
    assert len(floor.asked()) == 1


def test_a_node_that_takes_no_rebirths_is_not_asked_and_goes_on_after_a_gap() -> None:
    """A command may only name a metric of the node's birth."""
    floor, edge = Floor(), Edge(takes_rebirths=False)
    born(edge, floor)
    edge.ddata("P1", alone(110, 7))
    floor.hear(edge.ddata("P1", alone(120, 7)))
    edge.ddata("P1", alone(125, 7))
    floor.hear(edge.ddata("P1", alone(130, 7), alone(1, 99)))
    floor.wait(REORDER)
    assert (floor.placed, floor.asked()) == ({"L3/P1/F07": 30}, [])


def test_a_command_names_the_metric_also_where_a_birth_gave_it_an_alias() -> None:
    floor, edge = Floor(), Edge(takes_rebirths=False)
    own = spb.metric(spb.REBIRTH, False, spb.BOOLEAN, alias=3)
    floor.hear(edge.nbirth(own), edge.ddata("P1", alone(1, 7)))
    ((metric,),) = [spb.read_command(each.payload).metrics for each in floor.asked()]
    assert metric[1] == spb.REBIRTH.encode()
    assert 2 not in metric


def test_the_death_of_a_node_ends_it_and_its_devices_by_our_clock() -> None:
    floor, edge = Floor([*RULES, Rule(name="{station}/Panels", means="panels")]), Edge()
    floor.hear(
        edge.nbirth(spb.metric("P9/Panels", 4)), edge.dbirth("P1", placed(1)), edge.dbirth("P2", placed(1))
    )
    floor.hear(edge.will())
    assert floor.links == dict.fromkeys(("L3/P9", "L3/P1", "L3/P2"), "offline")
    assert set(floor.offline_at.values()) == {None}, "no time of the edge's clock: the moment we heard it"


def test_a_death_heard_twice_is_one() -> None:
    floor, edge = Floor(), Edge()
    born(edge, floor)
    floor.hear(edge.will())
    before = floor.messages
    assert floor.translator.hear(*edge.will()[:2], at=floor.at) is None
    assert floor.messages == before


def test_the_death_of_the_session_before_says_nothing() -> None:
    """bdSeq 4 while the birth said 5 (5.5: a death may come after the next birth)."""
    floor, edge = Floor(), Edge(bd=4)
    old = edge.will()
    edge.connect()
    born(edge, floor)
    assert floor.translator.hear(old.topic, old.payload, at=floor.at) is None
    assert floor.links == {"L3/P1": "online"}
    assert floor.asked() == []
    floor.hear(edge.will())
    assert floor.links == {"L3/P1": "offline"}


def test_the_number_of_a_death_goes_round_too() -> None:
    floor, edge = Floor(), Edge(bd=255)
    old = edge.will()
    edge.connect()
    assert edge.bd == 0
    born(edge, floor)
    floor.hear(old)
    assert floor.links == {"L3/P1": "online"}


def test_the_death_of_a_session_that_was_never_heard_lets_us_ask_whether_the_node_lives() -> None:
    floor, edge = Floor(), Edge(bd=4)
    born(edge, floor)
    floor.hear(edge.connect())
    assert floor.links == {"L3/P1": "online"}
    assert len(floor.asked()) == 1


def test_a_device_dies_at_the_time_that_its_death_says() -> None:
    floor, edge = Floor(), Edge()
    born(edge, floor)
    edge.at += 1500
    floor.wait(5 * SECOND)
    floor.hear(edge.ddeath("P1"))
    assert floor.links == {"L3/P1": "offline"}
    assert floor.offline_at == {"L3/P1": edge.at * 1000}
    floor.hear(edge.dbirth("P1", placed(120)))
    assert floor.links == {"L3/P1": "online"}
    assert floor.placed == {"L3/P1/F07": 20}


def test_the_death_of_one_node_is_not_that_of_its_neighbour_on_the_line() -> None:
    floor = Floor(group="{line}", node="+")
    one, other = (Edge(group="L3", node=node) for node in ("north", "south"))
    born(one, floor)
    born(other, floor, device="P2")
    floor.hear(one.will())
    assert floor.links == {"L3/P1": "offline", "L3/P2": "online"}


def test_a_node_that_was_asked_and_does_not_answer_is_gone() -> None:
    floor, edge = Floor(), Edge()
    born(edge, floor)
    edge.ddata("P1")
    floor.hear(edge.ddata("P1", alone(120, 7)))
    floor.wait(REORDER + ANSWER - 1)
    assert floor.links == {"L3/P1": "online"}
    floor.wait(1)
    assert floor.links == {"L3/P1": "offline"}


def test_a_device_that_is_not_born_again_with_its_node_is_gone() -> None:
    floor, edge = Floor(), Edge()
    floor.hear(edge.nbirth(), edge.dbirth("P1", placed(1)), edge.dbirth("P2", placed(1)))
    floor.hear(edge.nbirth(), edge.dbirth("P1", placed(1)))
    assert floor.links == {"L3/P1": "online", "L3/P2": "online"}
    floor.wait(ANSWER)
    assert floor.links == {"L3/P1": "online", "L3/P2": "offline"}


def test_after_our_own_outage_every_node_is_asked_and_totals_hold_what_was_missed() -> None:
    """Data are QoS 0 and a host keeps no session: what was sent meanwhile is lost, and so are differences."""
    floor, edge = Floor([*RULES, Rule(name="Picked/{slot}", means="placed", counts="delta")]), Edge()
    born(edge, floor)
    for total in range(110, 200, 10):
        edge.ddata("P1", alone(total, 7), spb.metric("Picked/F09", 10))
    floor.connect()
    assert [each.topic for each in floor.asked()] == ["spBv1.0/Hollerbach/NCMD/L3"]
    floor.hear(edge.ddata("P1", alone(200, 7)))
    assert floor.placed == {"L3/P1/F07": 0}
    born(edge, floor, 200)
    assert floor.placed == {"L3/P1/F07": 100}
    floor.hear(edge.ddata("P1", spb.metric("Picked/F09", 10)))
    assert floor.placed["L3/P1/F09"] == 10, "the ninety before are lost, as Sparkplug has it"


def test_an_alias_is_of_the_birth_that_gave_it() -> None:
    """Aliases are unique within a node (6.4.6); one that the device's own birth doesn't know is strange."""
    floor, edge = Floor(), Edge()
    born(edge, floor)
    born_again = edge.dbirth("P1", placed(120, alias=8))
    floor.hear(born_again, edge.ddata("P1", alone(130, 7)))
    assert floor.placed == {"L3/P1/F07": 20}
    assert len(floor.asked()) == 1
    floor.hear(edge.ddata("P1", alone(130, 8)))
    assert floor.placed == {"L3/P1/F07": 30}


def test_a_restart_goes_on_with_the_totals_and_understands_deaths() -> None:
    floor, edge = Floor(), Edge()
    born(edge, floor)
    floor.hear(edge.ddata("P1", alone(110, 7)))
    floor.restart()
    assert len(floor.asked()) == 1, "whom it knows it asks"
    born(edge, floor, 125)
    assert floor.placed == {"L3/P1/F07": 25}
    floor.restart()
    floor.hear(edge.will())
    assert floor.links == {"L3/P1": "offline"}


def test_a_death_that_was_told_is_not_told_again_after_a_restart() -> None:
    """Another source may count the station by then."""
    floor, edge = Floor(), Edge()
    born(edge, floor)
    floor.hear(edge.will())
    before = floor.messages
    floor.restart()
    floor.wait(60 * SECOND)
    assert floor.messages == before
    born(edge, floor)
    assert floor.links == {"L3/P1": "online"}


def test_after_a_failure_in_between_every_node_is_asked_again() -> None:
    floor, edge = Floor(), Edge()
    floor.connect()
    born(edge, floor)
    floor.translator.memory.take_changes()
    floor.hear(edge.ddata("P1", alone(110, 7)))
    floor.translator.memory.undo(lambda key: None)
    floor.translator.begin_anew()
    floor.hear(edge.ddata("P1", alone(120, 7)))
    assert len(floor.asked()) == 1


def test_what_was_stored_and_forwarded_never_takes_the_place_of_what_is_now() -> None:
    """is_historical: 6.4.6. A total of before that is higher heals."""
    floor, edge = Floor(), Edge()
    born(edge, floor)
    floor.hear(edge.ddata("P1", alone(150, 7, at=edge.at + 9000)))
    floor.hear(edge.ddata("P1", alone(120, 7, at=edge.at + 3000, historical=True)))
    assert floor.placed == {"L3/P1/F07": 50}
    floor.hear(edge.ddata("P1", alone(160, 7, at=edge.at + 8000, historical=True)))
    assert floor.placed == {"L3/P1/F07": 60}


@pytest.mark.parametrize(
    "value",
    [{"total": None}, {"total": 999, "quality": spb.BAD}, {"total": 999, "quality": spb.STALE}],
)
def test_what_is_null_bad_or_stale_counts_nothing(value: dict[str, Any]) -> None:
    floor, edge = Floor(), Edge()
    born(edge, floor)
    floor.hear(edge.ddata("P1", placed(**value)), edge.ddata("P1", alone(110, 7)))
    assert floor.placed == {"L3/P1/F07": 10}


def test_where_the_specification_contradicts_itself_both_readings_are_heard() -> None:
    """NBIRTH with seq 0 (4.2) or any (6.4.17); bdSeq as Int64 or, in its example, UInt64."""
    floor, edge = Floor(), Edge(bd=3)
    floor.hear(edge.nbirth(seq=250, bd_kind=spb.UINT64), edge.dbirth("P1", placed(100, alias=7)))
    for total in range(101, 111):
        floor.hear(edge.ddata("P1", alone(total, 7)))
    assert floor.placed == {"L3/P1/F07": 10}
    floor.hear(edge.will())
    assert floor.links == {"L3/P1": "offline"}


def test_a_message_without_a_number_is_taken_for_the_next() -> None:
    """As encoders leave it out that write no zeros; common practice, no source."""
    floor, edge = Floor(), Edge()
    born(edge, floor)
    for total in range(101, 400):
        message = edge.ddata("P1", alone(total, 7))
        if edge.seq == 0:
            message = Message(message.topic, spb.payload(alone(total, 7)))
        floor.hear(message)
    assert (floor.placed, floor.asked()) == ({"L3/P1/F07": 299}, [])
    floor.hear(Message("spBv1.0/Hollerbach/DDEATH/L3/P1", spb.payload()))
    assert floor.links == {"L3/P1": "offline"}


def test_a_metric_that_can_not_be_read_is_refused_with_its_name_and_the_order_goes_on() -> None:
    floor, edge = Floor(), Edge()
    born(edge, floor)
    with pytest.raises(Misfit, match=r"Feeders/F07/Placed: 'many' is no number"):
        floor.hear(edge.ddata("P1", spb.metric("Feeders/F07/Placed", "many", spb.STRING)))
    floor.hear(edge.ddata("P1", alone(110, 7)))
    assert (floor.placed, floor.asked()) == ({"L3/P1/F07": 10}, [])


def test_what_waited_and_can_not_be_read_is_said_again_by_a_birth() -> None:
    floor, edge = Floor(), Edge()
    born(edge, floor)
    first = edge.ddata("P1", alone(110, 7))
    bad = edge.ddata("P1", spb.metric("Feeders/F07/Placed", "many", spb.STRING))
    floor.hear(bad, edge.ddata("P1", alone(120, 7)), first)
    assert floor.placed == {"L3/P1/F07": 20}
    assert len(floor.asked()) == 1


@pytest.mark.parametrize(
    "topic", ["spBv1.0/STATE/another", "spBv1.0/Hall9/NDATA/L3", "spBv1.0/Hollerbach/NDATA/other"]
)
def test_states_of_hosts_and_what_the_patterns_leave_out_are_not_ours(topic: str) -> None:
    floor = Floor(group="Hollerbach", node="{line}-edge")
    assert floor.translator.filters[0] == "spBv1.0/Hollerbach/NBIRTH/+"
    assert floor.translator.hear(topic, b'{"online":false,"timestamp":1}', at=AT) == ()
    assert floor.asked() == []


def test_a_birth_that_the_broker_kept_is_refused() -> None:
    floor, edge = Floor(), Edge()
    with pytest.raises(Misfit, match="the broker kept this message"):
        floor.translator.hear(*edge.nbirth()[:2], at=AT, retained=True)


@pytest.mark.parametrize(
    "topic",
    ["", "spBv1.0", "spBv1.0/G/NBIRTH", "spBv1.0/G/DDATA/N", "spBv1.0/G/NDATA/N/D", "spAv1.0/G/NDATA/N"],
)
def test_a_topic_that_sparkplug_does_not_know_is_refused(topic: str) -> None:
    with pytest.raises(Misfit, match="no such topic"):
        Floor().translator.hear(topic, b"", at=AT)


@pytest.mark.parametrize(
    ("options", "reason"),
    [
        ({"node": "{line}/x"}, "one level"),
        ({"device": "#"}, "one level"),
        ({"node": "{line}", "device": "{line}-{station}"}, "a capture twice"),
    ],
)
def test_patterns_that_can_not_be_used_are_said(options: dict[str, Any], reason: str) -> None:
    with pytest.raises(ValueError, match=reason):
        SparkplugTranslator("hall", RULES, **options)


def test_every_count_says_when_the_edge_meant_it() -> None:
    floor, edge = Floor(), Edge()
    floor.hear(edge.nbirth())
    edge.at += 4200
    message = edge.dbirth("P1", placed(5), placed(6, "F08", at=edge.at + 100))
    natives = floor.translator.hear(message.topic, message.payload, at=floor.at) or ()
    bodies = [json.loads(each.payload) for each in natives if each.address.kind == "count"]
    assert [from_rfc3339(body["at"]) for body in bodies] == [(edge.at + 100) * 1000]


@given(
    st.sampled_from(["NBIRTH/L3", "NDATA/L3", "NDEATH/L3", "DBIRTH/L3/P1", "DDATA/L3/P1", "DDEATH/L3/P1"]),
    st.binary(max_size=120),
    st.booleans(),
)
def test_any_bytes_say_something_nothing_or_why_not(topic: str, data: bytes, known: bool) -> None:
    floor, edge = Floor(), Edge()
    if known:
        born(edge, floor)
    try:
        said = floor.translator.hear(f"spBv1.0/Hollerbach/{topic}", data, at=AT)
    except Misfit:
        return
    for each in said or ():
        read_message(each.address, each.payload)


FATES = ("comes", "comes", "comes", "is lost", "comes late", "comes twice")
TURNS = ("node dies", "device dies", "is reborn unheard", "we are away", "we restart")
STEPS = st.tuples(st.sampled_from(("data", *TURNS)), st.integers(0, 9), st.sampled_from(FATES))


class Feeder:
    """A node with one feeder. Each birth may name the two aliases the other way round."""

    def __init__(self, bd: int) -> None:
        self.edge = Edge(bd=bd)
        self.total = 100
        self._names = ["Placed", "Lost"]

    def births(self, *, turned: bool = False) -> list[Message]:
        if turned:
            self._names.reverse()
        self.edge.at += 250
        return [self.edge.nbirth(), self.device()]

    def device(self) -> Message:
        values = {"Placed": self.total, "Lost": 3}
        return self.edge.dbirth(
            "P1",
            *(
                spb.metric(f"Feeders/F07/{name}", values[name], spb.INT64, alias=alias)
                for alias, name in enumerate(self._names)
            ),
        )

    def data(self, more: int) -> Message:
        self.total += more
        self.edge.at += 250
        return self.edge.ddata("P1", alone(self.total, self._names.index("Placed")))


class Trouble:
    """A floor that hears a feeder badly."""

    def __init__(self, bd: int, *, turned: bool) -> None:
        self.floor, self.feeder, self.turned = Floor(), Feeder(bd), turned
        self.late: list[Message] = []
        self.floor.connect()
        self.floor.hear(*self.feeder.births())

    def hear(self, *messages: Message) -> None:
        """And what it asks for is given."""
        self.floor.hear(*messages)
        if self.floor.asked():
            self.floor.hear(*self.feeder.births(turned=self.turned))

    def step(self, what: str, more: int, fate: str) -> None:
        floor, feeder = self.floor, self.feeder
        floor.wait(SECOND // 2)
        held, self.late = self.late, []
        if what == "data":
            self.send(feeder.data(more), fate)
        elif what == "node dies":
            old = feeder.edge.will()
            feeder.edge.connect()
            self.hear(*feeder.births(turned=self.turned), old)
        elif what == "device dies":
            self.hear(feeder.edge.ddeath("P1"), feeder.device())
        elif what == "is reborn unheard":
            feeder.births()
        elif what == "we restart":
            floor.restart()
        else:
            floor.connect()
        self.hear(*held)

    def send(self, message: Message, fate: str) -> None:
        if fate == "comes late":
            self.late.append(message)
        elif fate != "is lost":
            self.hear(*[message] * (2 if fate == "comes twice" else 1))

    def calm_down(self) -> None:
        self.hear(*self.late)
        for _ in range(3):
            self.hear(self.feeder.data(0))
            self.floor.wait(ASK_AGAIN)
        self.hear()


@settings(max_examples=60)
@given(st.lists(STEPS, max_size=25), st.integers(0, 255), st.booleans())
def test_whatever_is_lost_late_or_twice_totals_end_right(
    steps: list[tuple[str, int, str]], bd: int, turned: bool
) -> None:
    """Each message may be lost, late by one, or doubled; nodes and devices die and come back, with other
    aliases or unheard; we are away or start anew. Once all is heard again, what was counted is what was
    placed since the first birth."""
    trouble = Trouble(bd, turned=turned)
    for step in steps:
        trouble.step(*step)
    trouble.calm_down()
    floor = trouble.floor
    assert floor.placed == {"L3/P1/F07": trouble.feeder.total - 100}
    assert floor.lost == {"L3/P1/F07": 0}
    assert floor.links == {"L3/P1": "online"}
