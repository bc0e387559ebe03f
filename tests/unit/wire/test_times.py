"""Times of foreign messages, in the forms they come in."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.model import from_rfc3339
from service.wire.native import Misfit
from service.wire.times import reader

VIENNA = "Europe/Vienna"
JSON = st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.lists(st.integers())


@pytest.mark.parametrize(
    ("said", "same"),
    [
        # The examples of RFC 3339, 5.8, that are later than 1970.
        ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.520000+00:00"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"),
        # By the clocks of a place where no offset is said; winter, then summer.
        ("2026-03-02 06:14:07,250", "2026-03-02T05:14:07.250Z"),
        ("2026-07-02T06:14:07", "2026-07-02T04:14:07Z"),
        # The hour that comes twice (time zone database: 25 October 2026, 03:00 to 02:00) is its first.
        ("2026-10-25T02:30:00", "2026-10-25T00:30:00Z"),
    ],
)
def test_times_as_in_rfc_3339(said, same):
    assert reader("rfc3339", VIENNA)(said) == from_rfc3339(same)


@pytest.mark.parametrize(
    ("form", "said"),
    [
        ("s", 1234567890),
        ("s", "1234567890"),
        ("s", 1234567890.0),
        ("ms", 1234567890000),
        ("us", 1234567890000000),
        ("ns", 1234567890000000999),
    ],
)
def test_times_counted_from_1970(form, said):
    """1234567890 s is 2009-02-13T23:31:30Z (POSIX time; widely printed, here also by ``date -u -d @…``)."""
    assert reader(form, "UTC")(said) == from_rfc3339("2009-02-13T23:31:30Z")


def test_times_by_directives():
    read = reader("%d.%m.%Y %H:%M:%S", VIENNA)
    assert read("02.03.2026 06:14:07") == from_rfc3339("2026-03-02T05:14:07Z")
    with_offset = reader("%Y%m%dT%H%M%S%z", VIENNA)
    assert with_offset("20260302T061407+0200") == from_rfc3339("2026-03-02T04:14:07Z")


@pytest.mark.parametrize("form", ["rfc3339", "s", "ns", "%H:%M"])
def test_no_time_is_none(form):
    assert reader(form, "UTC")(None) is None
    assert reader(form, "UTC")("") is None


@pytest.mark.parametrize("form", ["rfc 3339", "seconds", "", "%Q", "%H:%"])
def test_what_is_no_form_is_named(form):
    with pytest.raises(ValueError, match="no form of time"):
        reader(form, "UTC")


@pytest.mark.parametrize("form", ["rfc3339", "s", "ms", "us", "ns", "%d.%m.%Y"])
@given(said=JSON)
def test_whatever_is_said_is_a_time_or_none_or_a_misfit(form, said):
    try:
        at = reader(form, VIENNA)(said)
    except Misfit:
        return
    assert at is None or at >= from_rfc3339("1971-01-01T00:00:00Z")
