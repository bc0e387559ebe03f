"""What is no notice says its own sentence, calls for nobody, and leads to the page of the outlets."""

from __future__ import annotations

import asyncio
from zoneinfo import ZoneInfo

import pytest

from service.language import ENGLISH, Language, speak
from service.outlets.links import Links
from service.outlets.words import words
from service.usecases.rehearse import samples, trial
from tests.support.notices import AT

VIENNA = ZoneInfo("Europe/Vienna")


@pytest.mark.parametrize(
    ("language", "said"),
    [
        (ENGLISH, "Test from Earlybell, Werk Nord, sent by Ada: nothing to do."),
        (speak("de"), "Test von Earlybell, Werk Nord, gesendet von Ada: nichts zu tun."),
    ],
)
def test_a_test_is_one_sentence_without_a_caution(language: Language, said: str) -> None:
    notice = trial("mail", site="Werk Nord", by="Ada", at=AT).notice
    written = words(notice, zone=VIENNA, language=language)
    assert (written.headline, written.facts, written.caution) == (said, (), None)
    assert written.text() == said


def test_its_link_leads_to_the_outlets_and_carries_no_key() -> None:
    links = Links("https://bell.nord.example", "mail", lambda _notice, _outlet: "k3y")
    notice = trial("mail", site="Werk Nord", by=None, at=AT).notice
    assert asyncio.run(links.to(notice)) == "https://bell.nord.example/outlets"
    assert words(notice, zone=VIENNA).opens == "Open the outlets"


def test_two_tests_are_two_messages() -> None:
    first, second = (trial("mail", site="Werk Nord", by=None, at=AT + n) for n in range(2))
    assert first.notice.id != second.notice.id


def test_samples_are_one_life_of_a_notice_and_several_at_once_where_they_bundle() -> None:
    told = dict(samples("mail", at=AT, together=True))
    life = [told[name][0].notice for name in ("early", "empty", "closed")]
    assert [each.version for each in life] == [1, 2, 3]
    assert len({each.id for each in life}) == 1
    assert [each.notice.level for each in told["several at once"]] == ["urgent", "early"]
    assert "several at once" not in dict(samples("hook", at=AT, together=False))
