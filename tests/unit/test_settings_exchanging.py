"""What is configured of exchanges."""

from pathlib import Path

import pytest

from service.domain.policy import CareRule, Substitute
from service.settings import SettingsError, load


def read(tmp_path: Path, text: str):
    file = tmp_path / "earlybell.toml"
    file.write_text(text, encoding="utf-8")
    return load(file, {}).policy()


def test_substitutes_and_steps_are_part_of_what_decides(tmp_path):
    policy = read(
        tmp_path,
        '[[substitute]]\npart = "A"\nwith = ["B", "C"]\nline = "L3"\n'
        '[[care]]\nkind = "tray"\nchange = "loaded"\nsteps = ["Look at the corner."]\n',
    )

    assert policy.substitutes == (Substitute(part="A", instead=("B", "C"), line="L3"),)
    assert policy.cares == (CareRule(kind="tray", change="loaded", steps=("Look at the corner.",)),)


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ('[[substitute]]\npart = "A"\n', "with"),
        ('[[substitute]]\npart = "A"\nwith = []\n', "part numbers that may be loaded instead"),
        ("[[care]]\nsteps = []\n", "1 to 8 short sentences"),
        ('[[care]]\nkind = "tray"\nchange = "joined"\nsteps = ["x"]\n', "a tray can't be joined"),
    ],
)
def test_what_does_not_fit_is_named(tmp_path, text, wrong):
    with pytest.raises(SettingsError) as failure:
        read(tmp_path, text)

    assert wrong in str(failure.value)
