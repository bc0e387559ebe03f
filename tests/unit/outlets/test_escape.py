"""Text from the floor is harmless where it is shown."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.outlets.escape import LONGEST, chat_safe, cleaned, plain
from tests.support.notices import LOW, notice


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("R-10K_0402 5% µΩ 抵抗", "R-10K_0402 5% µΩ 抵抗"),
        ("a\r\nBcc: x@y.example", "a Bcc: x@y.example"),
        ("a\tb\u2028c\u2029d\x0be", "a b c d e"),
        ("\x1b[2Jboo\x00\x7f\x9b", "[2Jboo"),
        ("\u202eKO\u202c \u2066x\u2069 \u200f\u061cy", "KO x y"),
        ("z\u200be\u200cr\u200do\ufeff\u2060w", "zerow"),
        ("tag\U000e0041\U000e0042", "tag"),
        ("soft\u00adhyphen", "softhyphen"),
        ("lone\ud800surrogate", "lonesurrogate"),
        ("   ", ""),
    ],
)
def test_plain_text_is_one_visible_line(said: str, shown: str) -> None:
    assert plain(said) == shown


def test_what_is_too_long_is_cut_and_says_so() -> None:
    assert plain("x" * 10_000) == "x" * (LONGEST - 1) + "…"


@given(st.text())
def test_plain_text_has_nothing_invisible_and_is_its_own_escape(said: str) -> None:
    shown = plain(said)
    assert not any(unicodedata.category(c).startswith("C") or c in "\n\r\u2028\u2029" for c in shown)
    assert len(shown) <= LONGEST
    assert plain(shown) == shown
    shown.encode()


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("<!channel> now", "‹!channel› now"),
        ("<!subteam^S1|team>", "‹!subteam^S1|team›"),
        ("<@U123>", "‹＠U123›"),
        ("<https://evil.example|part>", "‹https: //evil.example|part›"),
        ("@here @channel @everyone @all", "＠here ＠channel ＠everyone ＠all"),
        ("@\u200bhere", "＠here"),
        ("[click](https://evil.example)", "(click)(https: //evil.example)"),
        ("`code` *loud* ~gone~", "'code' ∗loud∗ ∼gone∼"),
        ("R-10K_0402", "R-10K_0402"),
    ],
)
def test_a_chat_finds_nothing_to_act_on(said: str, shown: str) -> None:
    assert chat_safe(said) == shown


@given(st.text(alphabet=st.sampled_from("<>@!|[]()`*~:/ here\u200b\u202e\n")))
def test_no_mix_of_markup_gets_through(said: str) -> None:
    shown = chat_safe(said)
    assert not set(shown) & set("<>@[]`*~\n\u200b\u202e")
    assert "://" not in shown


def test_every_text_of_a_notice_is_cleaned_and_its_numbers_stay() -> None:
    seen = cleaned(notice(part="<!channel>", taken_by="\u202eeve", message="a\nb"), chat_safe)
    assert (seen.part, seen.taken_by, seen.message) == ("‹!channel›", "eve", "a b")
    assert (seen.panels_to_empty, seen.version, seen.changed_at) == (
        LOW.panels_to_empty,
        LOW.version,
        LOW.changed_at,
    )
