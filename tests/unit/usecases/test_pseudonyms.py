"""Under pseudonyms no name is left in a recording, and it decides what it decided before."""

from __future__ import annotations

import base64
import json
import random
import re
import typing
from collections.abc import Iterator
from types import UnionType

import msgspec
import pytest

from service.domain import events
from service.domain.events import JournalEntry
from service.domain.model import Notice
from service.domain.policy import Limits, Policy, WarnRule, cost_of, limits_for, moisture_level
from service.domain.said import Said
from service.domain.world import World
from service.usecases.disguise import RULES, Disguise
from service.usecases.export import start_state
from service.usecases.fold import begin, fold
from service.usecases.pseudonyms import Names, patterns_of
from service.usecases.renaming import Renaming
from service.wire.journal import Exporter, StartState, read_line
from simulators.scenario import load_scenario, shipped
from tests.support.chancy import chancy
from tests.support.shifts import shift
from tests.support.written import NAMES, PARTS, RES, eventful, policy

KEY = b"a key of the test's own"
EXPORTER = Exporter("plant")
Entries = list[JournalEntry]


def start_at(entries: Entries, cut: int) -> StartState:
    world = World()
    for entry in entries[:cut]:
        fold(world, entry)
    return start_state(world, cut, entries[cut - 1].at if cut else 0)


def renamed(entries: Entries, cut: int = 0, key: bytes = KEY) -> list[bytes]:
    start = start_at(entries, cut)
    settings = [msgspec.json.decode(each.data, type=Policy) for each in entries if each.kind == "settings"]
    renaming = Renaming(Names(key, patterns_of(settings)))
    lines = [EXPORTER.state(renaming.start(start))]
    return lines + [
        EXPORTER.entry(number, renaming.entry(number, entry))
        for number, entry in enumerate(entries[cut:], cut)
    ]


def told(lines: list[bytes]) -> list[list[Notice]]:
    start, *entries = (read_line(line) for line in lines)
    assert isinstance(start, StartState)
    world = begin(start)
    return [
        [each.notice for each in fold(world, entry) or []]
        for entry in entries
        if isinstance(entry, JournalEntry)
    ]


def facts(notices: list[Notice]) -> list[tuple[object, ...]]:
    """Without its names."""
    return sorted(
        (
            *(each.line or "", each.station or "", each.slot or "", each.kind, each.level, each.state),
            *(each.opened_at, each.changed_at, each.version, each.reminded, each.escalated, len(each.hears)),
            *(
                repr(each.panels_to_empty),
                repr(each.empty_at),
                each.closed_because or "",
                each.quiet_until or "",
            ),
        )
        for each in notices
    )


def all_bytes(lines: list[bytes]) -> bytes:
    """Also what is packed inside."""
    whole = b"".join(lines)
    packed = [base64.b64decode(each) for each in re.findall(rb'"([A-Za-z0-9+/]{24,}={0,2})"', whole)]
    return b"\n".join([whole, *packed])


def spellings(name: str) -> set[bytes]:
    escaped = {json.dumps(name)[1:-1], json.dumps(name, ensure_ascii=False)[1:-1], name}
    return {each.encode() for each in escaped} | {msgspec.json.encode(name)[1:-1]}


@pytest.fixture(scope="module")
def entries() -> Entries:
    return eventful().entries


@pytest.mark.parametrize("cut", [0, 20, 45, 60, 62, 64, 80, 110])
def test_no_name_is_left_anywhere_and_the_same_is_told(entries: Entries, cut: int):
    plain = [EXPORTER.state(start_at(entries, cut))]
    plain += [EXPORTER.entry(number, each) for number, each in enumerate(entries[cut:], cut)]
    lines = renamed(entries, cut)
    found = all_bytes(lines)
    assert not [name for name in NAMES for each in spellings(name) if each in found]
    if cut == 0:
        assert all(
            any(each in all_bytes(plain) for each in spellings(name)) for name in NAMES if name != "outq3"
        )
    before, after = told(plain), told(lines)
    assert [facts(each) for each in before] == [facts(each) for each in after]
    assert sum(map(len, before)) > 3


@pytest.mark.parametrize("seed", [3, 8])
def test_whatever_happens_no_name_is_left_and_the_same_is_told(seed: int):
    chancy_ones, cut = chancy(seed).entries, 40
    plain = [EXPORTER.state(start_at(chancy_ones, cut))]
    plain += [EXPORTER.entry(number, each) for number, each in enumerate(chancy_ones[cut:], cut)]
    lines = renamed(chancy_ones, cut)
    found = all_bytes(lines)
    assert not [name for name in NAMES for each in spellings(name) if each in found]
    assert [facts(each) for each in told(plain)] == [facts(each) for each in told(lines)]


def test_an_exchange_that_can_still_be_undone_is_renamed_inside_too(entries: Entries):
    """Its slot as it was is packed once more."""
    cut = next(
        n for n in range(len(entries)) if b'"exchanged"' in entries[n].data or b'"undone"' in entries[n].data
    )
    start = start_at(entries, cut)
    kept = [slot.exchanged for station in start.stations for slot in station.slots.values() if slot.exchanged]
    assert kept
    assert any(name.encode() in each.before for each in kept for name in PARTS)
    found = all_bytes(renamed(entries, cut))
    assert not [name for name in NAMES for each in spellings(name) if each in found]


def test_a_name_is_the_same_in_every_recording_under_its_key_and_another_under_another():
    one, again, other = Names(KEY), Names(KEY), Names(b"another key, also long enough")
    assert one.of("part", RES) == again.of("part", RES) != other.of("part", RES)
    assert one.of("part", RES) != one.of("lot", RES)
    assert one.of("part", "Cafe\u0301") == one.of("part", "Caf\u00e9"), "as the wire reads them"
    assert RES not in repr(one)
    assert repr(KEY) not in repr(one)


@pytest.mark.parametrize("seed", range(30))
def test_rules_meet_whom_they_met(seed: int):
    """Patterns, exact names and both at once, whichever counts more."""
    chance = random.Random(seed)
    parts = ["".join(chance.choice("AB[]-1") for _ in range(chance.randint(1, 4))) for _ in range(40)]
    asked = [chance.choice(parts) if chance.random() < 0.4 else _some_pattern(chance) for _ in range(8)]
    rules = [
        WarnRule(part=each, kind=chance.choice([None, "tape"]), lead_panels=number + 1)
        for number, each in enumerate(asked)
    ]
    other = policy(rules=rules, warn=Limits(lead_panels=99, urgent_panels=0))
    names = Names(KEY, patterns_of([other]))
    hidden = [WarnRule(**_asdict(rule) | {"part": names.pattern("part", rule.part or "")}) for rule in rules]
    for part in parts:
        assert _lead(other.rules, part) == _lead(hidden, names.of("part", part)), part


def _some_pattern(chance: random.Random) -> str:
    return "".join(
        chance.choice(["A", "B", "*", "?", "[AB]", "[!A]", "1", "-"]) for _ in range(chance.randint(1, 3))
    )


def _asdict(rule: WarnRule) -> dict:
    return {name: getattr(rule, name) for name in rule.__struct_fields__}


def _lead(rules: list[WarnRule], part: str) -> int:
    limits = limits_for(policy(rules=rules), line="L3", station="P1", slot="F1", part=part, kind="tape")
    return limits.lead_panels


def test_costs_and_moisture_levels_go_with_their_parts():
    own = policy()
    names = Names(KEY, patterns_of([own]))
    other = Disguise(names).of(own)
    for part in (*PARTS, "unheard-of"):
        assert moisture_level(own, part) == moisture_level(other, names.of("part", part))
        assert cost_of(own.plan, part) == cost_of(other.plan, names.of("part", part))


@pytest.mark.parametrize(("scenario", "seed"), [("demo", 3), ("two-lines-by-day", 4)])
def test_a_shift_is_told_the_same_under_pseudonyms(scenario: str, seed: int):
    lines = shift(load_scenario(shipped()[scenario]), seed=seed, hours=0.5, plans=True).lines
    entries = [each for line in lines if isinstance(each := read_line(line), JournalEntry)]
    cut = len(entries) // 3
    start = read_line(lines[0])
    assert isinstance(start, StartState)
    world = begin(start)
    for entry in entries[:cut]:
        fold(world, entry)
    plain = [EXPORTER.state(start_state(world, cut, entries[cut - 1].at)), *lines[cut + 1 :]]
    begun = read_line(plain[0])
    assert isinstance(begun, StartState)
    renaming = Renaming(Names(KEY, patterns_of([msgspec.json.decode(begun.policy, type=Policy)])))
    other = [EXPORTER.state(renaming.start(begun))]
    other += [EXPORTER.entry(n, renaming.entry(n, entry)) for n, entry in enumerate(entries[cut:], cut)]
    assert [facts(each) for each in told(plain)] == [facts(each) for each in told(other)]


# Every text is known for what it is

KNOWN = {
    "line, station, slot": (
        "line station slot slots PlannedStop.at RecipeMessage.usage RecipeMessage.alternates Recipe.usage"
        " Recipe.alternates LineOrder.stations Run.uses Run.together SupplyState.where StationState.undoable"
        " SlotState.name Exchanged.other"
    ),
    "closed sets and what we say ourselves": (
        "kind supply_kind change state level needs severity tells closed_because basis how said action counts"
        " mode reading lamps buzzer out fault low running holidays days supply_kind aged_told lies link"
        " ReviewRules.failures CauseRule.cause Learned.ends Learned.settled Exchanged.outcomes"
        " StationState.clocks"
    ),
    "times, spans and places of the clock": (
        "timezone opened_at changed_at closed_at quiet_until start end hours quiet_hours breaks closed"
        " Notice.empty_at"
    ),
    "a gateway's own": "session replaced counted_session GatewayReport.source Refusals.source Source.name"
    " Elsewhere.shard HeardOf.shard SupplyState.shard",
    "numbers in bytes": "StationState.skips StationState.takt_blocks",
    "made anew from what it says": "id message about said",
}
"""Fields of texts that are no names, by what they are."""
PLAIN_FIELDS = {name for names in KNOWN.values() for name in names.split()}


def structs(*roots: type) -> Iterator[type]:
    waiting, seen = list(roots), set()
    while waiting:
        each = waiting.pop()
        if each in seen:
            continue
        seen.add(each)
        yield each
        for hint in typing.get_type_hints(each).values():
            waiting += [
                found
                for found in inside(hint)
                if isinstance(found, type) and issubclass(found, msgspec.Struct)
            ]


def inside(hint: object) -> Iterator[object]:
    if typing.get_origin(hint) is typing.Annotated:
        hint = typing.get_args(hint)[0]
    yield hint
    if typing.get_origin(hint) is typing.Literal:
        return
    if isinstance(hint, UnionType) or typing.get_args(hint):
        for each in typing.get_args(hint):
            yield from inside(each)


def test_every_text_is_known_to_be_a_name_or_none():
    """A new field must be looked at before it leaves the house."""
    roots = (StartState, Policy, *typing.get_args(events.Message))
    unknown = [
        f"{each.__name__}.{name}"
        for each in structs(*roots)
        for name, hint in typing.get_type_hints(each).items()
        if each is not Said
        and not name.startswith("_")
        and set(inside(hint)) & {str, bytes, typing.Any, object}
        if (each, name) not in RULES and not {name, f"{each.__name__}.{name}"} & PLAIN_FIELDS
    ]
    assert not unknown, " ".join(unknown)
