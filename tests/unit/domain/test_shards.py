"""Which shard a line belongs to."""

from __future__ import annotations

from itertools import permutations

import pytest

from service.domain.shards import Division, Shard, filters_of, fitting, owner_of, stale_of

REST, EAST, NORTH = Shard("rest", ("*",)), Shard("east", ("E*", "F1")), Shard("north", ("E1", "N?"))


@pytest.mark.parametrize(
    ("line", "owner"),
    [("E2", EAST), ("F1", EAST), ("N7", NORTH), ("N77", REST), ("e2", REST), ("", REST), ("L", REST)],
)
def test_a_line_is_of_the_shard_whose_pattern_fits_else_the_catch_alls(line, owner):
    assert owner_of(line, [REST, EAST, NORTH]) == owner


def test_of_several_that_fit_the_name_that_sorts_first_has_the_line_in_whatever_order_they_stand():
    assert {owner_of("E1", shards) for shards in permutations([REST, EAST, NORTH])} == {EAST}


def test_all_whose_pattern_fits_are_named_but_the_catch_all():
    assert fitting("E1", [REST, NORTH, EAST]) == [EAST, NORTH]
    assert fitting("L", [REST, NORTH, EAST]) == []


def test_without_a_catch_all_a_line_may_be_nobodys():
    assert owner_of("L", [EAST]) is None


def test_each_line_is_ours_for_exactly_one():
    shards = [REST, EAST, NORTH]
    divisions = [Division(own, shards) for own in shards]

    for line in ("E1", "E2", "N1", "L"):
        assert [division.own for division in divisions if division.is_ours(line)] == [owner_of(line, shards)]
    assert divisions[0].others == [EAST, NORTH]


def test_only_names_without_wildcards_are_literal():
    assert Shard("a", ("E1", "F1")).literal
    assert not any(Shard("a", ("E1", line)).literal for line in ("*", "E?", "[ab]"))


def test_a_name_that_topics_may_say_otherwise_or_not_at_all_is_heard_among_all():
    for line in ("Ö1", "hall+1", "#"):
        own = Shard("a", (line,))
        assert filters_of(Division(own, [own, REST]), "floor") == ["floor/#"]


def test_who_names_all_its_lines_hears_no_more_than_those():
    shards = [Shard("a", ("E1",)), Shard("b", ("E1", "E2")), REST]

    assert filters_of(Division(shards[1], shards), "floor") == ["floor/E2/#"]
    assert filters_of(Division(REST, shards), "floor") == ["floor/#"]
    assert filters_of(None, "floor") == ["floor/#"]


def test_what_an_earlier_division_subscribed_to_is_given_up_and_nothing_that_is_needed():
    shards = [Shard("b", ("E1", "E2")), REST]

    assert stale_of(Division(shards[0], shards), "floor", known=["E1", "E3"]) == ["floor/#", "floor/E3/#"]
    assert stale_of(Division(REST, shards), "floor", known=["L"]) == ["floor/E1/#", "floor/E2/#", "floor/L/#"]
    assert stale_of(None, "floor", known=["L"]) == []
