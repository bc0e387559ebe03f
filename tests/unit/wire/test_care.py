"""What somebody did to a supply, from bytes: a value or the named refusal, nothing else."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.events import SupplyCare
from service.wire.native import Misfit, read_care


@given(body=st.binary(max_size=60), supply=st.text(max_size=8))
def test_any_bytes_give_care_or_a_refusal(body, supply):
    with suppress(Misfit):
        assert isinstance(read_care(supply, body), SupplyCare)


def test_the_name_in_the_path_is_the_name_as_nfc():
    said = read_care("Rolle A\u0308", b'{"change": "opened", "supply": "another", "colour": "blue"}')
    assert said == SupplyCare(supply="Rolle \u00c4", change="opened")


@pytest.mark.parametrize(
    ("supply", "body", "told"),
    [
        ("", b'{"change": "opened"}', "supply"),
        ("R" * 257, b'{"change": "opened"}', "supply"),
        ("R-1", b"{}", "change"),
        ("R-1", b'{"change": "loaded"}', "change"),
        ("R-1", b'{"change": "dry", "humidity": 101}', "humidity"),
        ("R-1", b'{"change": "opened", "floor_hours": 0}', "floor_hours"),
        ("R-1", b'{"change": "opened", "at": "2026-03-02T06:00:00"}', "at"),
        ("R-1", b"[" * 5000, ""),
    ],
)
def test_what_doesnt_fit_is_named(supply, body, told):
    with pytest.raises(Misfit) as refused:
        read_care(supply, body)
    assert told in str(refused.value)
