"""Who may do what: roles, how long things hold, and how often somebody may try."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.access import (
    SESSION_IDLES,
    SESSION_LASTS,
    Allowance,
    Caller,
    Link,
    Role,
    Session,
    Token,
    holds_link,
    holds_session,
    holds_token,
    seconds_until_one,
    spend,
)
from service.domain.model import SECOND

ROLES = list(Role)
TOKEN = Token(name="gate", digest=b"", role=Role.READ, others=False, created_at=0, expires_at=100)
SESSION = Session(digest=b"", account="mira", name="Mira", role=Role.ACT, created_at=0, used_at=0)
LINK = Link(digest=b"", notice="n", outlet="line-2", created_at=0, expires_at=100)
ALLOWANCES = st.builds(
    Allowance, burst=st.integers(1, 40), every=st.integers(1, 100).map(lambda seconds: seconds * SECOND)
)


@pytest.mark.parametrize("has", ROLES)
@pytest.mark.parametrize("needed", ROLES)
def test_each_role_includes_the_ones_before(has: Role, needed: Role) -> None:
    caller = Caller(kind="token", id="t", name="t", role=has)
    assert caller.may(needed) == (ROLES.index(has) >= ROLES.index(needed))


def test_a_token_holds_until_it_expires_or_is_ended() -> None:
    assert [holds_token(TOKEN, now) for now in (0, 99, 100)] == [True, True, False]
    assert holds_token(replace(TOKEN, expires_at=None), 10**18)
    assert not holds_token(replace(TOKEN, ended_at=50), 50)


def test_a_session_holds_while_it_is_used_and_a_week_at_most() -> None:
    assert [holds_session(SESSION, now) for now in (0, SESSION_IDLES - 1, SESSION_IDLES)] == [
        True,
        True,
        False,
    ]
    used = replace(SESSION, used_at=SESSION_LASTS - 1)
    assert [holds_session(used, now) for now in (SESSION_LASTS - 1, SESSION_LASTS)] == [True, False]


def test_a_link_holds_until_it_expires_or_is_ended() -> None:
    assert [holds_link(LINK, now) for now in (99, 100)] == [True, False]
    assert not holds_link(replace(LINK, ended_at=1), 2)


@given(allowance=ALLOWANCES, tries=st.lists(st.integers(0, 200), max_size=120))
def test_in_any_time_no_more_is_spent_than_the_burst_and_one_each_interval(
    allowance: Allowance, tries: list[int]
) -> None:
    now, full_at, spent = 0, 0, []
    for wait in tries:
        now += wait * SECOND
        after = spend(full_at, allowance, now)
        if after is not None:
            full_at = after
            spent.append(now)
    for first, begin in enumerate(spent):
        for count, end in enumerate(spent[first:], 1):
            assert count <= allowance.burst + (end - begin) // allowance.every + 1


@given(allowance=ALLOWANCES, wait=st.integers(0, 1000))
def test_whoever_waits_as_told_may_try_again(allowance: Allowance, wait: int) -> None:
    full_at = now = wait * SECOND
    while (after := spend(full_at, allowance, now)) is not None:
        full_at = after
    later = now + seconds_until_one(full_at, allowance, now) * SECOND
    assert spend(full_at, allowance, later) is not None


@given(allowance=ALLOWANCES, back=st.integers(0, 10**12))
def test_a_clock_that_steps_back_shuts_nobody_out_for_longer_than_the_allowance(
    allowance: Allowance, back: int
) -> None:
    full_at = spend(10**15, allowance, 10**15)
    assert full_at is not None
    now = 10**15 - back
    whole = allowance.burst * allowance.every
    assert any(spend(full_at, allowance, at) is not None for at in (now, now + whole))


def test_no_secret_is_in_what_is_printed() -> None:
    for value in (TOKEN, SESSION, LINK):
        assert "digest" not in repr(value)
