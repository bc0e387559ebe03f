"""JMESPath expressions, against the library itself, which the language's own compliance tests hold to it."""

from __future__ import annotations

import jmespath
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.wire.expressions import Expression
from service.wire.native import Misfit

FEW = settings(max_examples=40)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.sampled_from(["a", "", "12"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from("abc"), inner, max_size=3),
    max_leaves=12,
)


@pytest.mark.parametrize(
    "text", ["@", "a", '"a"', "a.b", "a.b.c", "@.a", "a[0]", "a[*].b", "{x: a}.x", "a || b"]
)
@FEW
@given(data=JSON)
def test_it_finds_what_the_library_finds(text, data):
    assert Expression(text).find(data) == jmespath.search(text, data)


@pytest.mark.parametrize("text", ["", "a..b", "a[", "nosuch(a)", "a b", "length(a"])
def test_what_doesnt_compile_is_named_or_fails_at_the_first_message(text):
    """The library finds unknown functions only when it comes to them."""
    with pytest.raises(ValueError, match=r"no JMESPath expression|nosuch"):
        Expression(text).find({"a": 1})


@pytest.mark.parametrize(
    "text", ["sum(a)", "a[::`0`]", "sort_by(a, &b)", "max(a)", "join(',', a)", "to_number(a).b"]
)
@FEW
@given(data=JSON)
def test_odd_data_is_a_misfit_and_nothing_else(text, data):
    try:
        expression = Expression(text)
    except ValueError:
        return
    try:
        expression.find(data)
    except Misfit as misfit:
        assert text in str(misfit)  # noqa: PT017
