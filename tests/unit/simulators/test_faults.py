"""What faults do to a stream of messages, and what they never do."""

from __future__ import annotations

import json
import random
from collections import Counter, defaultdict
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from simulators.faults import (
    DroppedTowers,
    Duplicates,
    Fault,
    LostCounts,
    Reorder,
    Restarts,
    clocks_of,
    faults_of,
    pass_all,
)
from simulators.messages import Message
from simulators.plan import GatewayPlan
from tests.unit.simulators.shift import DEMO, said, work

EVENTS = work(6, 0.75)
MESSAGES = said(EVENTS)
SEEDS = st.integers(0, 2**32)
CHANCES = st.floats(0.0, 1.0)
SOME = st.integers(0, len(MESSAGES)).map(lambda end: MESSAGES[:end])


def through(messages: list[Message], *faults: Fault) -> list[Message]:
    return list(pass_all(faults, messages))


def counts(messages: list[Message]) -> list[tuple[str, dict[str, Any]]]:
    return [(m.topic, json.loads(m.payload)) for m in messages if m.kind == "count"]


def restarting(seed: int, chance: float) -> list[Message]:
    """What is said where each station's gateway restarts at that chance."""
    restarts: dict[str, Restarts] = defaultdict(lambda: Restarts(random.Random(seed), chance))
    return said([restarts[getattr(event, "station", "")].befall(event) for event in EVENTS])


def untouched(messages: list[Message]) -> list[Message]:
    return [message for message in messages if message.kind not in {"count", "supply"}]


@given(seed=SEEDS, chance=CHANCES, messages=SOME)
def test_duplicates_add_repeats_beside_the_original_and_nothing_else(
    seed: int, chance: float, messages: list[Message]
):
    out = through(messages, Duplicates(random.Random(seed), chance))

    assert list(dict.fromkeys(out)) == list(dict.fromkeys(messages))
    assert untouched(out) == untouched(messages)
    assert all(times <= 2 * Counter(messages)[message] for message, times in Counter(out).items())


@given(seed=SEEDS, chance=CHANCES, messages=SOME)
def test_only_counts_are_lost_and_the_rest_keeps_its_order(seed: int, chance: float, messages: list[Message]):
    out = through(messages, LostCounts(random.Random(seed), chance))

    others = [message for message in messages if message.kind != "count"]
    assert [message for message in out if message.kind != "count"] == others
    positions = iter(messages)
    assert all(message in positions for message in out)


@given(seed=SEEDS, chance=CHANCES, window=st.integers(1, 9), messages=SOME)
def test_reordering_loses_nothing_and_no_message_is_overtaken_by_more_than_the_window(
    seed: int, chance: float, window: int, messages: list[Message]
):
    numbered = [Message(each.topic, b'{"n":%d}' % n, each.retain) for n, each in enumerate(messages)]

    out = [
        json.loads(each.payload)["n"]
        for each in through(numbered, Reorder(random.Random(seed), chance, window))
    ]

    assert sorted(out) == list(range(len(messages)))
    others = [n for n in out if messages[n].kind not in {"count", "supply"}]
    assert others == sorted(others)
    overtaken = {n for position, n in enumerate(out) if any(before > n for before in out[:position])}
    for position, n in enumerate(out):
        assert sum(before > n and before not in overtaken for before in out[:position]) <= window


@given(seed=SEEDS, chance=CHANCES)
def test_over_all_sessions_a_restarting_gateway_counts_what_was_counted(seed: int, chance: float):
    before, after = counts(MESSAGES), counts(restarting(seed, chance))

    assert len(before) == len(after)
    assert totals(before) == totals(after)


@given(seed=SEEDS, chance=CHANCES)
def test_each_session_is_numbered_from_one_and_never_comes_back(seed: int, chance: float):
    sessions: dict[str, list[tuple[str, int]]] = defaultdict(list)
    for topic, body in counts(restarting(seed, chance)):
        sessions[topic].append((body["session"], body["seq"]))

    for said_by in sessions.values():
        by_session: dict[str, list[int]] = defaultdict(list)
        for session, seq in said_by:
            by_session[session].append(seq)
        assert [session for session, _ in said_by] == [s for s, seqs in by_session.items() for _ in seqs]
        assert all(seqs == list(range(1, len(seqs) + 1)) for seqs in by_session.values())


def totals(said_counts: list[tuple[str, dict[str, Any]]]) -> dict[Any, int]:
    """The last total of each session, added up: by topic, slot and key, and the panels."""
    last: dict[Any, int] = {}
    for topic, body in said_counts:
        session = topic, body["session"]
        last[(*session, "panels")] = body["panels"]
        for slot, numbers in body["slots"].items():
            for key, number in numbers.items():
                last[(*session, slot, key)] = number
    added: dict[Any, int] = defaultdict(int)
    for (topic, _, *rest), number in last.items():
        added[(topic, *rest)] += number
    return added


@given(seed=SEEDS)
def test_equal_seeds_give_equal_faults(seed: int):
    def faults() -> list[Fault]:
        chance = random.Random(seed)
        return [
            LostCounts(chance, 0.1),
            Duplicates(chance, 0.1),
            Reorder(chance, 0.1, 5),
        ]

    assert through(MESSAGES, *faults()) == through(MESSAGES, *faults())
    assert restarting(seed, 0.02) == restarting(seed, 0.02)


def test_without_chance_nothing_is_touched():
    chance = random.Random(1)
    faults = (LostCounts(chance, 0), Duplicates(chance, 0), Reorder(chance, 0, 5))

    assert through(MESSAGES, *faults) == MESSAGES
    assert restarting(1, 0) == MESSAGES


@given(seed=SEEDS, chance=CHANCES, messages=SOME)
def test_only_towers_drop_out_and_the_rest_keeps_its_order(seed: int, chance: float, messages: list[Message]):
    out = through(messages, DroppedTowers(random.Random(seed), chance))

    others = [message for message in messages if message.kind != "tower"]
    assert [message for message in out if message.kind != "tower"] == others
    positions = iter(messages)
    assert all(message in positions for message in out)


def test_each_station_has_faults_and_chance_of_its_own():
    plan = GatewayPlan(repeat=0.3)
    p1, p2 = (faults_of(plan, 7, "L1", station) for station in ("P1", "P2"))

    assert through(MESSAGES, *p1) != through(MESSAGES, *p2)
    assert through(MESSAGES, *faults_of(plan, 7, "L1", "P1")) == through(
        MESSAGES, *faults_of(plan, 7, "L1", "P1")
    )


def test_a_clock_lies_beside_what_all_are_wrong_by_and_the_first_speaks_for_the_line():
    plan = GatewayPlan(skew=5.0, clock_lies={"L3/P2": -95.0})

    assert clocks_of(plan, DEMO.lines[0]) == {"P1": 5.0, "P2": -90.0, None: 5.0}
