"""Wall time, divided: SEMI E10's six states, ISO 22400-2's times and figures."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.making import Made
from service.domain.model import SECOND
from service.domain.policy import Policy
from service.domain.reviewing import E10, CauseRule, ReviewRules, Time
from service.domain.states import USUAL, e10_of, line_stretches, mapping_for, trials_of
from service.domain.times import Failures, Times, kpis, times_object, times_of
from service.domain.track import Cause, RecipeSet, Stop, Stretch

MINUTE = 60 * SECOND
USUALLY = mapping_for(Policy(), "L3", "P1")
START = 1_772_431_200_000_000


def stretch(since: int, until: int, cause: Cause | None = None, because_of: str | None = None) -> Stretch:
    if cause is None:
        return Stretch(since=since, until=until)
    stop = Stop(
        line="L3",
        station="P1",
        since=since,
        until=until,
        cause=cause,
        confidence=1.0,
        because_of=because_of,
    )
    return Stretch(since=since, until=until, stop=stop)


def row(*parts: tuple[float, Cause | None]) -> list[Stretch]:
    """Stretches of so many minutes, one after another."""
    stretches, at = [], START
    for minutes, cause in parts:
        stretches.append(stretch(at, at + round(minutes * MINUTE), cause))
        at = stretches[-1].until
    return stretches


stretch_lengths = st.lists(
    st.tuples(st.integers(1, 10**8), st.sampled_from([None, *Cause])), min_size=1, max_size=40
)


@given(start=st.integers(0, 2**51), lengths=stretch_lengths)
def test_the_six_states_and_the_iso_times_add_up_to_the_wall_time_to_the_millisecond(start, lengths) -> None:
    # SEMI E10: the basic states divide total time (OPC 40100, OPC 40001-1 Annex C repeat the structure).
    stretches, at = [], start
    for length, cause in lengths:
        stretches.append(stretch(at, at + length, cause))
        at += length
    times = times_of(stretches, USUALLY, trials=[(start + 5, start + 10**7)])
    wall = at // 1000 - start // 1000
    assert times.wall == wall
    assert sum(times.e10.values()) == wall
    assert sum(times.iso.values()) == wall
    assert sum(times.by_cause.values()) == wall
    borders = [(piece.since, piece.until) for piece in times.pieces]
    assert all(before[1] == after[0] for before, after in pairwise(borders))
    assert (borders[0][0], borders[-1][1]) == (start // 1000, at // 1000)
    e10 = times_object(times, Made(), ReviewRules())["e10"]
    assert e10["total_ms"] == e10["operations_ms"] + e10["non_scheduled_ms"] == wall
    assert sum(each["time_ms"] for each in e10["states"]) == wall


def test_a_gap_or_an_overlap_is_refused() -> None:
    for second in (START + 2, START):
        with pytest.raises(ValueError, match="the next one begins at"):
            times_of([stretch(START, START + 1), stretch(second, START + 9)], USUALLY)


@pytest.mark.parametrize(
    ("cause", "code", "state"),
    [
        (Cause.SUPPLY, "5500", E10.UNSCHEDULED),
        (Cause.EXCHANGE, "4400", E10.SCHEDULED),
        (Cause.HELD, "2201", E10.STANDBY),
        (Cause.STARVED, "2202", E10.STANDBY),
        (Cause.CHANGEOVER, "4500", E10.SCHEDULED),
    ],
)
def test_what_a_cause_counts_as_is_that_of_its_published_code(cause, code, state) -> None:
    # IPC-2591 (CFX), list of resource states.
    assert (USUAL[cause].code, USUAL[cause].e10) == (code, state)


@pytest.mark.parametrize(
    ("code", "state"),
    [
        ("1100", E10.PRODUCTIVE),
        ("3312", E10.ENGINEERING),
        ("6500", E10.NON_SCHEDULED),
        ("7000", E10.NON_SCHEDULED),
        ("22", E10.NON_SCHEDULED),
    ],
)
def test_a_code_is_of_the_state_of_its_thousands_and_non_scheduled_where_it_is_not_defined(
    code, state
) -> None:
    # IPC-2591 (CFX): a maker's own code is of the state of its thousands, what isn't defined of 6000.
    assert e10_of(code) == state


def test_every_usual_code_is_of_the_state_beside_it() -> None:
    assert all(e10_of(counts.code) == counts.e10 for counts in USUAL.values())
    assert set(USUAL) == set(Cause)


def test_the_most_specific_rule_says_what_a_cause_counts_as_and_the_code_follows() -> None:
    rules = ReviewRules(
        causes=(
            CauseRule(cause="supply", e10=E10.STANDBY, station="P1"),
            CauseRule(cause="supply", time=Time.DOWN),
        )
    )
    policy = Policy(review=rules)
    here, there = mapping_for(policy, "L3", "P1")[Cause.SUPPLY], mapping_for(policy, "L3", "P2")[Cause.SUPPLY]
    assert (here.e10, here.time, here.code) == (E10.STANDBY, Time.DOWN, "2000")
    assert (there.e10, there.time, there.code) == (E10.UNSCHEDULED, Time.DOWN, "5500")


def test_work_on_a_trial_is_engineering_and_its_stops_are_stops() -> None:
    recipes = [
        RecipeSet(at=START, recipe="MB", usage={}),
        RecipeSet(at=START + MINUTE, recipe="TRY-1", usage={}),
    ]
    stretches = row((2, None), (1, Cause.FAULT), (1, None))
    trials = trials_of(recipes, ("TRY-*",), stretches[-1].until)
    times = times_of(stretches, USUALLY, trials=trials)
    assert times.e10[E10.PRODUCTIVE] == 60_000
    assert times.e10[E10.ENGINEERING] == 120_000
    assert times.e10[E10.UNSCHEDULED] == 60_000


def shift() -> Times:
    return times_of(
        row(
            (100, None),
            (10, Cause.SUPPLY),
            (60, None),
            (20, Cause.HELD),
            (15, Cause.CHANGEOVER),
            (30, None),
            (5, Cause.EXCHANGE),
            (30, Cause.REST),
            (10, Cause.UNHEARD),
        ),
        USUALLY,
    )


def test_the_figures_of_iso_22400_follow_its_formulas() -> None:
    # Formulas: the public ontology of ISO 22400-2. APT 190, AUST 15, ADET 15, ADOT 20, so PBT 240 minutes.
    figures = kpis(shift(), Made(panels=500, planned_run=500 * 20_000.0, executed=200 * 60_000))
    assert figures == {
        "availability": pytest.approx(190 / 240),
        "effectiveness": pytest.approx(20 * 500 / 60 / 190),
        "quality_ratio": None,
        "oee": None,
        "oee_without_quality": pytest.approx(20 * 500 / 60 / 240),
        "utilisation_efficiency": pytest.approx(190 / 220),
        "allocation_efficiency": pytest.approx(220 / 240),
        "allocation_ratio": pytest.approx(220 / 200),
        "technical_efficiency": pytest.approx(190 / 205),
        "production_process_ratio": pytest.approx(190 / 200),
        "setup_ratio": pytest.approx(15 / 205),
        "throughput_per_hour": pytest.approx(150.0),
    }


@given(
    lengths=st.lists(
        st.tuples(st.integers(1000, 10**9), st.sampled_from([None, *Cause])), min_size=2, max_size=20
    ),
    planned_run=st.integers(1, 10**7),
    good=st.integers(0, 900),
)
def test_oee_is_planned_run_by_good_units_in_the_planned_busy_time_however_work_is_classed(
    lengths, planned_run, good
) -> None:
    # From the formulas of ISO 22400-2: OEE = PRU · GQ / PBT, because APT and PQ cancel.
    stretches, at = [], START
    for length, cause in [*lengths, (10**6, None)]:
        stretches.append(stretch(at, at + length, cause))
        at += length
    made = Made(panels=900, good=good, planned_run=float(planned_run))
    one = times_of(stretches, USUALLY)
    rules = ReviewRules(causes=tuple(CauseRule(cause=c, time=Time.PRODUCTION) for c in ("held", "supply")))
    other = times_of(stretches, mapping_for(Policy(review=rules), "L3", "P1"))
    wanted = planned_run / 900 * good / one.planned_busy
    assert kpis(one, made)["oee"] == pytest.approx(wanted)
    assert kpis(other, made)["oee"] == pytest.approx(wanted)


def test_the_textbook_example_of_an_oee() -> None:
    # TPM: A Route to World-Class Performance, p. 127: 910 minutes planned, 127 of them
    # down, 203 pieces of 3 minutes: 0.86044 × 0.77778 = 0.66923.
    times = times_of(row((783, None), (115, Cause.FAULT), (12, Cause.CHANGEOVER)), USUALLY)
    figures = kpis(times, Made(panels=203, planned_run=203 * 180_000.0))
    assert figures["availability"] == pytest.approx(0.86044, abs=5e-6)
    assert figures["effectiveness"] == pytest.approx(0.77778, abs=5e-6)
    assert figures["oee_without_quality"] == pytest.approx(0.66923, abs=5e-6)


def test_a_figure_above_one_is_said_as_it_is() -> None:
    assert kpis(shift(), Made(panels=500, planned_run=190 * 60_000 * 1.25))["effectiveness"] == 1.25


def test_what_can_not_be_divided_or_is_not_known_is_unknown() -> None:
    figures = kpis(times_of(row((10, Cause.REST)), USUALLY), Made(panels=0, good=0, executed=0))
    assert set(figures.values()) == {None}


def test_failures_with_work_between_them_are_counted_apart() -> None:
    times = times_of(
        row((120, None), (15, Cause.FAULT), (2, Cause.HELD), (5, Cause.FAULT), (60, None), (10, Cause.FAULT)),
        USUALLY,
    )
    assert times.failures == Failures(number=2, worked=180 * 60_000, broken=30 * 60_000)


def test_the_published_example_of_mtbf_and_mttr_classical_and_with_one_more() -> None:
    # A public page's example: 9 h, 4 failures of 1 h together, so 2 h and 15 min. With the +1 of ISO 22400-2
    # (from memory, so it is a switch) the same figures give 1.6 h and 12 min.
    times = times_of(row(*[(120, None), (15, Cause.FAULT)] * 4), USUALLY)
    failures = times.failures
    assert (failures.mean_between("classical"), failures.mean_to_repair("classical")) == (7_200_000, 900_000)
    assert (failures.mean_between("plus one"), failures.mean_to_repair("plus one")) == (5_760_000, 720_000)
    none = times_of(row((60, None)), USUALLY).failures
    assert (none.mean_between("classical"), none.mean_between("plus one")) == (None, 3_600_000)


def test_a_line_is_its_last_station_and_the_stop_that_cut_it_off_says_why() -> None:
    first = [stretch(0, 10), stretch(10, 40, Cause.SUPPLY), stretch(40, 100)]
    middle = [stretch(0, 15), stretch(15, 45, Cause.STARVED, because_of="P1"), stretch(45, 100)]
    last = [stretch(0, 20), stretch(20, 50, Cause.STARVED, because_of="P2"), stretch(50, 100)]
    stretches = {"P1": first, "P2": middle, "P3": last, "P4": []}
    assert [
        (each.since, each.until, each.cause) for each in line_stretches(stretches, ["P1", "P2", "P3", "P4"])
    ] == [
        (0, 20, None),
        (20, 50, Cause.SUPPLY),
        (50, 100, None),
    ]


def test_stations_that_wait_for_one_another_are_followed_once() -> None:
    one = [stretch(0, 10, Cause.STARVED, because_of="B")]
    other = [stretch(0, 10, Cause.STARVED, because_of="A")]
    assert [each.cause for each in line_stretches({"A": one, "B": other}, ["A", "B"])] == [Cause.STARVED]


def test_the_object_says_what_counted_as_what_and_how_much_nobody_heard() -> None:
    said = times_object(shift(), Made(panels=500, planned_run=9.5e6, takt_from="learned"), ReviewRules())
    assert said["unheard_ms"] == 600_000
    assert said["causes"]["work"] == 190 * 60_000
    assert said["iso"]["pru_ms"] == 19_000
    assert said["e10"]["states"][0] == {
        "state": "productive",
        "code": "1100",
        "cause": None,
        "time_ms": 190 * 60_000,
    }
    assert {"cause": "exchange", "e10": "scheduled downtime", "time": "delay", "code": "4400"} in said[
        "mapping"
    ]
    assert said["failures"] == {
        "causes": ["fault"],
        "number": 0,
        "broken_ms": 0,
        "count": "classical",
        "mtbf_ms": None,
        "mttr_ms": None,
    }
