"""Refused messages: one notice for many, none for a few, and an end after a quiet time."""

from __future__ import annotations

from service.domain import refusals
from service.domain.model import SECOND
from service.domain.refusals import QUIET, WINDOW, Tally
from tests.support.story import START


def heard(pattern: str, *, every: int = SECOND) -> Tally:
    """The tally after messages that fit (``.``) and that don't (``x``)."""
    tally = None
    for number, each in enumerate(pattern):
        tally = refusals.note(tally, START + number * every, refused=each == "x")
    assert tally is not None
    return tally


def test_a_place_that_was_refused_nothing_has_no_tally():
    assert refusals.note(None, START, refused=False) is None


def test_a_few_that_do_not_fit_are_somebodys_experiment():
    assert not refusals.are_many(heard("xxxx"))


def test_a_fifth_of_all_is_too_much():
    assert refusals.are_many(heard("xxxxx"))
    assert refusals.are_many(heard("x...." * 5))
    assert not refusals.are_many(heard("x....." * 5))


def test_what_is_older_than_five_minutes_counts_no_more():
    tally = heard("xxxx")
    assert not refusals.are_many(refusals.note(tally, START + WINDOW + 1, refused=True) or tally)


def test_it_is_over_ten_minutes_after_the_last():
    tally = heard("xxxxx.")
    last = START + 4 * SECOND
    assert not refusals.are_over(tally, last + QUIET - 1)
    assert refusals.are_over(tally, last + QUIET)
    later = refusals.note(tally, last + WINDOW + SECOND, refused=False)
    assert later is not None
    assert refusals.are_over(later, last + QUIET), "what fits doesn't put the end off"
