"""What may be configured of summaries at shift change and once a week, and what is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.outside import routed
from service.settings import Settings, SettingsError, load

ROOM = '[[outlet]]\nname = "room"\ntype = "chat"\nurl = "http://h"\n'
SHIFT = '[[shift]]\nfrom = "06:00"\nto = "14:00"\n'


def read(folder: Path, text: str, **environ: str) -> Settings:
    file = folder / "plant.toml"
    file.write_text(ROOM + text, encoding="utf-8")
    return load(file, environ)


def test_without_a_word_nobody_gets_a_summary(tmp_path: Path) -> None:
    assert read(tmp_path, "").digests == ()


def test_one_for_each_change_of_shifts_and_one_a_week_may_stand_together(tmp_path: Path) -> None:
    text = f"""{SHIFT}
        [[digest]]
        outlets = ["room"]
        at = "shift change"
        lines = ["L1", "X*"]
        [[digest]]
        outlets = "room"
        at = "weekly"
        time = "07:00"
        """
    change, weekly = read(tmp_path, text).digests
    assert (change.outlets, change.at, change.lines) == (("room",), "shift change", ("L1", "X*"))
    assert (weekly.outlets, weekly.on, weekly.time, weekly.lines) == (("room",), "mon", "07:00", ("*",))


def test_an_outlet_for_summaries_alone_is_no_outlet_that_nothing_leads_to(tmp_path: Path) -> None:
    text = '[[route]]\nescalate_minutes = 5\nescalate_to = "Ada"\npeople = "Ada"\n'
    person = '[[outlet]]\nname = "ada"\ntype = "chat"\nurl = "http://h"\n'
    person += '[[person]]\nname = "Ada"\noutlets = "ada"\n'
    digest = '[[digest]]\noutlets = "room"\nat = "weekly"\ntime = "07:00"\n'
    assert routed(read(tmp_path, text + person)) == {"ada"}
    assert routed(read(tmp_path, text + person + digest)) == {"ada", "room"}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('at = "weekly"', "digest[0]: weekly at what time?"),
        ('at = "shift change"\nday = "mon"', 'digest[0]: day and time are for at = "weekly"'),
        ('at = "shift change"', 'digest: at = "shift change" needs shifts (add [[shift]]'),
        ('at = "daily"\ntime = "07:00"', "digest[0].at: "),
        ('at = "weekly"\ntime = "7"', "digest[0].time: "),
        ('at = "weekly"\ntime = "07:00"\nday = "monday"', "digest[0].day: "),
        ('at = "weekly"\ntime = "07:00"\nlines = []', "digest[0].lines: "),
        ('at = "weekly"\ntime = "07:00"\noutlet = "room"', "digest[0].outlet: "),
    ],
)
def test_what_cannot_be_meant_is_refused_with_its_place(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(SettingsError) as problems:
        read(tmp_path, f'[[digest]]\noutlets = "room"\n{text}')
    (line,) = problems.value.lines
    assert said in line


def test_an_outlet_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as problems:
        read(tmp_path, '[[digest]]\noutlets = ["room", "attic"]\nat = "weekly"\ntime = "07:00"')
    assert "digest[0].outlets: there is no outlet 'attic' (known: room)" in problems.value.lines[0]
