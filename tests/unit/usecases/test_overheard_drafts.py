"""Drafts of what was overheard: they load as they are, and count right after few edits on lines with a doubt.

The floors are those of the simulators, in each of their formats, and some that only stand here.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as how
from hypothesis import strategies as st

from service.domain.model import SECOND
from service.settings import Settings, load
from service.usecases.overheard import NO_BIRTH, Overheard, draft_of
from service.wire.sparkplug_payload import read_payload
from simulators.dialects import SPEAKERS
from simulators.scenario import find_scenario
from tests.support.spoken import Said, Shift, Told, spoken, told
from tests.support.story import START

PLANT = '[mqtt]\nfloor_root = "elsewhere"\n'
MOST_EDITS = 3
EDITS: dict[str, list[tuple[str, str]]] = {
    # Nobody spliced while it was listened.
    "mapped": [
        (
            'words = { NEW = "loaded", REEL = "tape" }',
            'words = { NEW = "loaded", SPLICE = "joined", REEL = "tape" }',
        ),
    ],
}
Load = Callable[[str], Settings]


@pytest.fixture
def loaded(tmp_path: Path) -> Load:
    """The settings of a plant with this draft in its configuration."""

    def loaded(draft: str) -> Settings:
        path = tmp_path / "plant.toml"
        path.write_text(PLANT + draft, encoding="utf-8")
        return load(path, {})

    return loaded


def overheard(said: Iterable[Said], *, since: float = 0.0, seconds: float = 1e9) -> str:
    """The draft after listening from so many seconds on, for so many."""
    heard = Overheard()
    begin, end = START + since * SECOND, START + (since + seconds) * SECOND
    for each in said:
        if begin <= each.at <= end:
            heard.hear(each.topic.encode(), each.payload, each.at)
    return draft_of(heard.heard, floor_root="elsewhere")


def edited(draft: str, edits: Sequence[tuple[str, str]]) -> str:
    """Each edit changes one line, and that line has a doubt."""
    assert len(edits) <= MOST_EDITS
    lines = draft.splitlines()
    for before, after in edits:
        (place,) = [number for number, line in enumerate(lines) if line.startswith(before)]
        assert "# doubt: " in lines[place]
        lines[place] = after
    return "\n".join(lines)


def assert_right(heard: Told, shift: Shift) -> None:
    assert heard.placed.of == shift.placed
    assert heard.lost.of == shift.lost
    assert heard.panels.of == shift.panels


def kinds(draft: str, loaded: Load) -> list[tuple[str, str]]:
    return [(each.format, each.name) for each in loaded(draft).sources]


# The simulated floors


@pytest.mark.parametrize("dialect", SPEAKERS)
def test_a_minute_of_any_format_gives_a_draft_that_counts_a_shift(dialect: str, loaded: Load):
    shift = spoken(find_scenario("two-lines-by-day"), dialect=dialect, hours=1)

    draft = edited(overheard(shift.said, seconds=60), EDITS.get(dialect, []))
    (source,) = loaded(draft).sources
    heard = told(shift, source.translator("UTC"))

    assert source.trial
    assert_right(heard, shift)
    assert heard.refused == {}
    assert heard.kinds["supply"] > 50
    assert heard.kinds["tower"] > 50


@pytest.mark.parametrize("dialect", [each for each in SPEAKERS if each != "sparkplug"])
def test_who_comes_in_the_middle_of_a_shift_counts_it_too(dialect: str, loaded: Load):
    """What is told at changes alone isn't known then; of Sparkplug not even the names."""
    shift = spoken(find_scenario("demo"), dialect=dialect, hours=1)

    (source,) = loaded(overheard(shift.said, since=1200, seconds=300)).sources

    assert_right(told(shift, source.translator("UTC")), shift)


def test_several_formats_at_one_broker_have_a_source_each(loaded: Load):
    shifts = {
        dialect: spoken(find_scenario("demo"), dialect=dialect, hours=0.1, root=f"{dialect}-plant")
        for dialect in ("native", "mapped", "sparkplug", "cfx", "opcua")
    }
    everything = sorted((said for shift in shifts.values() for said in shift.said), key=lambda said: said.at)

    sources = {str(source.format): source for source in loaded(overheard(everything)).sources}

    assert sources.keys() == shifts.keys()
    for dialect, shift in shifts.items():
        assert_right(told(shift, sources[dialect].translator("UTC")), shift)


def test_sparkplug_data_without_births_has_no_names_and_that_is_said():
    heard = Overheard()
    for said in spoken(find_scenario("demo"), dialect="sparkplug", hours=1).said:
        if said.at > START + 1200 * SECOND:
            heard.hear(said.topic.encode(), said.payload, said.at)

    assert draft_of(heard.heard) == ""
    assert heard.heard.cut[NO_BIRTH] > 100
    (asked,) = heard.births(START)
    assert asked.topic == "spBv1.0/floor/NCMD/L3"
    assert [metric.name for metric in read_payload(asked.payload).metrics] == ["Node Control/Rebirth"]
    assert heard.births(START) == []


# Floors that stand here alone


def floor(bodies: Mapping[str, Callable[[int], Any]]) -> list[Said]:
    """What each topic says at the n-th of 18 takts, of ten seconds each."""
    return [
        Said(
            START + n * 10 * SECOND, topic, value if isinstance(value, bytes) else json.dumps(value).encode()
        )
        for n in range(18)
        for topic, says in bodies.items()
        if (value := says(n)) is not None
    ]


def listened(said: list[Said], loaded: Load, *edits: tuple[str, str]) -> Told:
    (source,) = loaded(edited(overheard(said), edits)).sources
    return told(Shift(said), source.translator("UTC"))


def test_a_floor_in_german_with_a_line_without_number(loaded: Load):
    said = floor(
        {
            "werk/nord/automat1/platz/Z07/bestückt": lambda n: 18 * n,
            "werk/nord/automat1/platz/Z08/bestückt": lambda n: 4 * n,
            "werk/nord/automat1/platz/Z07/fehler": lambda n: n // 5,
            "werk/nord/automat1/leiterplatten": lambda n: n,
            "werk/nord/automat1/ampel/grün": lambda n: b"an" if n < 9 else b"aus",
            "werk/nord/automat1/ampel/gelb": lambda n: b"blinkt" if n % 3 else b"aus",
        }
    )

    heard = listened(said, loaded)

    assert heard.placed.of == {
        ("nord", "automat1", "Z07"): 306,
        ("nord", "automat1", "Z08"): 68,
    }
    assert heard.lost.of == {("nord", "automat1", "Z07"): 3}
    assert heard.panels.of == {("nord", "automat1"): 17}
    assert heard.kinds["tower"] >= 2
    assert heard.refused == {}


def test_stations_in_a_list_with_their_slots_in_objects(loaded: Load):
    def says(n: int) -> Any:
        return {
            "time": 1_772_431_200 + 10 * n,
            "machines": [
                {"machine": name, "cycles": n, "tracks": {"T1": {"mounted": n, "rejects": n // 9}}}
                for name in ("P1", "P2")
            ],
        }

    heard = listened(floor({"works/line-4/state": says}), loaded)

    assert heard.placed.of == {("line-4", name, "T1"): 17 for name in ("P1", "P2")}
    assert heard.lost.of == {("line-4", name, "T1"): 1 for name in ("P1", "P2")}
    assert heard.panels.of == {("line-4", name): 17 for name in ("P1", "P2")}


def test_counters_with_an_object_of_slots_each(loaded: Load):
    def says(n: int) -> Any:
        return {"ts": "2026-03-02T06:00:00Z", "placed": {"a": 2 * n, "b": n}, "missed": {"a": n // 6, "b": 0}}

    heard = listened(floor({"works/L4/P1/now": says}), loaded)

    assert heard.placed.of == {("L4", "P1", "a"): 34, ("L4", "P1", "b"): 17}
    assert heard.lost.of == {("L4", "P1", "a"): 2, ("L4", "P1", "b"): 0}


def test_one_slot_a_message_that_names_everything_itself(loaded: Load):
    def says(slot: str, each: int) -> Callable[[int], Any]:
        return lambda n: {"line": "L4", "station": "P1", "feeder": slot, "picks": each * n, "fails": n // 8}

    said = floor({"ticker": says("F07", 3), "ticker/again": says("F08", 5)})

    (source,) = loaded(overheard(said)).sources
    heard = told(Shift(said), source.translator("UTC"))

    assert heard.placed.of == {("L4", "P1", "F07"): 49, ("L4", "P1", "F08"): 83}
    assert heard.lost.of == {("L4", "P1", "F07"): 2, ("L4", "P1", "F08"): 2}


def test_numbers_since_the_last_message(loaded: Load):
    said = floor({"works/L4/P1/F07/placed": lambda n: (3, 5, 4, 0)[n % 4]})

    draft = overheard(said)
    heard = listened(said, loaded)

    assert 'counts = "delta"  # doubt: it falls too' in draft
    assert heard.placed.of == {("L4", "P1", "F07"): 4 * (3 + 5 + 4) + 3 + 5}


def test_counters_without_a_word_are_known_by_how_they_rise(loaded: Load):
    said = floor(
        {
            f"works/L4/P{machine}/x": lambda n: {
                "c": n,
                "z": [{"id": slot, "a": each * n, "b": n // 9} for slot, each in (("F07", 6), ("F08", 2))],
            }
            for machine in (1, 2)
        }
    )

    heard = listened(said, loaded)

    assert heard.placed.of["L4", "P2", "F07"] == 102
    assert heard.lost.of["L4", "P2", "F08"] == 1
    assert heard.panels.of["L4", "P1"] == 17


def test_boards_that_come_several_at_once_are_one_panel(loaded: Load):
    said = floor({"works/L4/P1/leiterplatten": lambda n: 4 * n, "works/L4/P1/F07/placed": lambda n: n})

    assert listened(said, loaded).panels.of == {("L4", "P1"): 17}


def test_what_nothing_says_is_to_be_written_down_once(loaded: Load):
    said = floor({"counter": lambda n: {"slots": [{"pos": "F07", "placed": 3 * n}]}})

    heard = listened(
        said,
        loaded,
        ('say.line = "L1"', 'say.line = "north"'),
        ('say.station = "P1"', 'say.station = "left"'),
    )

    assert heard.placed.of == {("north", "left", "F07"): 51}


def test_nothing_that_counts_gives_no_draft():
    assert overheard(floor({"hall/temperature": lambda n: 20.5 + n, "hall/door": lambda n: "open"})) == ""


def test_our_own_root_needs_no_source():
    said = spoken(find_scenario("demo"), dialect="native", hours=0.1).said
    heard = Overheard()
    for each in said:
        heard.hear(each.topic.encode(), each.payload, each.at)

    assert draft_of(heard.heard, floor_root="floor") == ""
    assert 'root = "floor"' in draft_of(heard.heard, floor_root="floor", broker={"url": "mqtt://other"})


@pytest.mark.parametrize("root", ["$works", "works//hall", "/works"])
def test_a_root_that_no_source_can_have_is_none(root: str):
    heard = Overheard()
    count = {"session": "a", "seq": 1, "slots": {"F07": {"placed": 3}}}
    heard.hear(f"{root}/L3/P1/count".encode(), json.dumps(count).encode(), START)

    assert heard.heard.names["native"] == {root: 1}
    assert draft_of(heard.heard) == ""


# Whatever is said


def names() -> st.SearchStrategy[str]:
    words = (
        "L3 P1 F07 F08 placed lost picked boards red gelb lamp usage program job job_state part reel qty pos"
    )
    odd = ("line", "station", "slot", "a\nb", 'q"q', "{slot}", "\\", "x y", "value", "seq", "online", "state")
    return st.sampled_from((*words.split(), *odd)) | st.text(max_size=3)


def documents() -> st.SearchStrategy[Any]:
    said = ("on", "blink", "RUN", "DONE", "NEW", "REEL", "2026-03-02T06:14:07Z", "F07", 1_772_432_047_000, -3)
    scalars = st.none() | st.booleans() | st.integers(0, 5) | st.sampled_from(said) | st.text(max_size=3)
    fields = st.sampled_from(("pos", "placed", "lost", "station", "feeders", "name"))
    return st.recursive(
        scalars,
        lambda inner: (
            st.lists(inner, max_size=3)
            | st.dictionaries(names(), inner, max_size=4)
            | st.lists(st.dictionaries(fields, inner, max_size=3), max_size=3)
            | st.fixed_dictionaries({"MessageName": st.just("CFX.Heartbeat"), "Source": names()})
            | st.dictionaries(names(), scalars, max_size=3).map(
                lambda payload: {"DataSetWriterId": 1, "DataSetWriterName": "P1", "Payload": payload}
            )
        ),
        max_leaves=8,
    )


@how(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.lists(names(), min_size=1, max_size=5).map("/".join), documents()), max_size=8))
def test_every_draft_loads(loaded: Load, said: list[tuple[str, Any]]):
    heard = Overheard()
    for number, (topic, body) in enumerate(said * 3):
        topic_bytes = topic.encode("utf-8", "replace")
        heard.hear(topic_bytes, json.dumps(body).encode(), START + number * SECOND)

    loaded(draft_of(heard.heard, floor_root="elsewhere"))
