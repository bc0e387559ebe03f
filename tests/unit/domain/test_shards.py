"""Which shard a line belongs to."""

from __future__ import annotations

from itertools import permutations

import pytest

from service.domain.shards import Division, Shard, owner_of

REST, EAST, NORTH = Shard("rest", ("*",)), Shard("east", ("E*", "F1")), Shard("north", ("E1", "N?"))


@pytest.mark.parametrize(
    ("line", "owner"),
    [("E2", EAST), ("F1", EAST), ("N7", NORTH), ("N77", REST), ("e2", REST), ("", REST), ("L", REST)],
)
def test_a_line_is_of_the_shard_whose_pattern_fits_else_the_catch_alls(line, owner):
    assert owner_of(line, [REST, EAST, NORTH]) == owner


def test_of_several_that_fit_the_name_that_sorts_first_has_the_line_in_whatever_order_they_stand():
    assert {owner_of("E1", shards) for shards in permutations([REST, EAST, NORTH])} == {EAST}


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
