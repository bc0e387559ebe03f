"""What may be configured of floor lives and trays."""

import pytest

from service.domain.moisture import LEVELS
from service.domain.policy import moisture_level, slot_rule
from service.settings import SettingsError, load


def policy_of(tmp_path, text):
    file = tmp_path / "earlybell.toml"
    file.write_text(text, encoding="utf-8")
    return load(file, {}).policy()


def test_without_a_word_the_usual_levels_hold(tmp_path):
    rules = policy_of(tmp_path, "").floor_life
    assert rules.levels == LEVELS
    assert (rules.factor, rules.cabinet_humidity, rules.lead_minutes) == (1.0, 10.0, 120.0)


def test_what_is_written_of_a_level_changes_that_alone(tmp_path):
    rules = policy_of(
        tmp_path,
        """
        [floor_life]
        factor = 0.5
        [[floor_life.level]]
        level = "MSL5A"
        hours = 20
        [[floor_life.level]]
        level = "9"
        hours = "unlimited"
        """,
    ).floor_life
    assert rules.factor == 0.5
    tender = rules.of("5a")
    assert tender is not None
    assert (tender.hours, tender.short_hours, tender.pause_humidity) == (20, 8, 5)
    assert rules.of("3") == next(rule for rule in LEVELS if rule.level == "3")
    own = rules.of("9")
    assert own is not None
    assert own.hours == "unlimited"


def test_the_most_specific_pattern_says_the_level_of_a_part(tmp_path):
    policy = policy_of(
        tmp_path,
        """
        [[moisture]]
        part = "MCU-*"
        level = 3
        [[moisture]]
        part = "MCU-48Q"
        level = "5a"
        """,
    )
    assert [moisture_level(policy, part) for part in ("MCU-48Q", "MCU-64Q", "R-10K", None)] == [
        "5a",
        "3",
        None,
        None,
    ]


def test_a_tray_says_its_kind_and_how_much_it_holds(tmp_path):
    policy = policy_of(
        tmp_path,
        """
        [[slot]]
        slot = "*"
        full = 5000
        [[slot]]
        slot = "T*"
        tray = {rows = 8, columns = 20, stack = 2}
        [[slot]]
        slot = "T9"
        full = 300
        """,
    )
    two, nine = (slot_rule(policy, line="L3", station="P1", slot=slot) for slot in ("T2", "T9"))
    assert (two.kind, two.full, two.tray and two.tray.cells) == ("tray", 320, 320)
    assert (nine.kind, nine.full) == ("tray", 300)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[[floor_life.level]]\nlevel = 'nine'\nhours = 3", "floor_life.level[0].level"),
        ("[[floor_life.level]]\nlevel = '9'", "set hours"),
        ("[[floor_life.level]]\nlevel = '3'\nhours = -1", "floor_life.level[0].hours"),
        ("[[floor_life.level]]\nlevel = '3'\n[[floor_life.level]]\nlevel = 'MSL3'", "level 3 is there twice"),
        ("[floor_life]\nfactor = 2", "floor_life.factor"),
        ("[[moisture]]\npart = 'A'", "moisture[0].level"),
        ("[[slot]]\ntray = {rows = 0, columns = 20}", "slot[0].tray.rows"),
        ("[[slot]]\ntray = {rows = 8}", "slot[0].tray.columns"),
    ],
)
def test_what_doesnt_fit_is_named_with_its_place(tmp_path, text, told):
    with pytest.raises(SettingsError) as refused:
        policy_of(tmp_path, text)
    assert told in str(refused.value)
