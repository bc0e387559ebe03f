"""What may be configured of signs of life and of other services; what is refused, without telling a key."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.outside import routed
from service.settings import Settings, SettingsError, load

DAILY = "heartbeat: a daily message needs its time and its outlets"
CHAT = '[[outlet]]\nname = "room"\ntype = "chat"\nurl = "http://h"\n'


def read(folder: Path, text: str, **environ: str) -> Settings:
    file = folder / "plant.toml"
    file.write_text(text, encoding="utf-8")
    return load(file, environ)


def refused(folder: Path, text: str) -> str:
    with pytest.raises(SettingsError) as problems:
        read(folder, text)
    (line,) = problems.value.lines
    return line.removeprefix(f"{folder}/plant.toml: ")


def test_without_a_word_nobody_is_told_that_we_live(tmp_path: Path) -> None:
    beat = read(tmp_path, "").heartbeat
    assert (beat.url, beat.at, beat.outlets) == (None, None, None)


def test_a_monitor_and_a_daily_message_may_stand_together(tmp_path: Path) -> None:
    text = f'{CHAT}[heartbeat]\nurl = "https://h/k3y"\nevery_minutes = 1\nat = "07:00"\noutlets = ["room"]'
    beat = read(tmp_path, text).heartbeat
    assert (beat.every_minutes, beat.method, beat.at, beat.outlets) == (1.0, "GET", "07:00", ("room",))
    assert "k3y" not in repr(beat)


def test_a_monitors_address_may_come_from_the_environment(tmp_path: Path) -> None:
    beat = read(tmp_path, "", EARLYBELL_HEARTBEAT__URL="https://h/k3y").heartbeat
    assert beat.url is not None
    assert beat.url.get_secret_value() == "https://h/k3y"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[heartbeat]\nat = "07:00"', DAILY),
        (
            f'{CHAT}[heartbeat]\noutlets = ["room"]',
            "heartbeat: a daily message needs its time and its outlets",
        ),
        (
            '[heartbeat]\nat = "07:00"\noutlets = ["a"]',
            "heartbeat.outlets: there is no outlet 'a' (known: none)",
        ),
        ("[heartbeat]\nevery_minutes = 5", "heartbeat: every_minutes: there is no address to go to"),
        ('[heartbeat]\nurl = "https://h/k3y"\nevery_minutes = 0', "heartbeat.every_minutes: "),
        ('[heartbeat]\nurl = "ftp://h/k3y"', "heartbeat.url: has another scheme"),
        ('[heartbeat]\nat = "7 o\'clock"\noutlets = ["room"]\n' + CHAT, "heartbeat.at: "),
        ('[[outlet]]\nname = "o"\ntype = "other"\nurls = []', "outlet[0].urls: "),
        ('[[outlet]]\nname = "o"\ntype = "other"', "outlet[0].urls: is missing (1 to 20 addresses"),
    ],
)
def test_what_does_not_fit_is_named(tmp_path: Path, text: str, said: str) -> None:
    line = refused(tmp_path, text)
    assert line.startswith(said)
    assert "k3y" not in line


def test_addresses_of_other_services_are_secrets_and_stand_a_line_each(tmp_path: Path) -> None:
    text = '[[outlet]]\nname = "o"\ntype = "other"\nurls = ["json://h/k3y", "mailto://h?to=a,b"]'
    (outlet,) = read(tmp_path, text).outlets
    assert "k3y" not in repr(outlet)
    by_name = {"EARLYBELL_OUTLET__O__URLS": "json://x/k3y\nmailto://h?to=a,b\n"}
    (outlet,) = read(tmp_path, text, **by_name).outlets
    assert outlet.type == "other"
    assert [each.get_secret_value() for each in outlet.urls] == ["json://x/k3y", "mailto://h?to=a,b"]


def test_an_outlet_is_heard_by_a_route_by_a_person_of_one_or_by_the_daily_message(tmp_path: Path) -> None:
    room = 'type = "chat"\nurl = "http://h"\n'
    text = "".join(f'[[outlet]]\nname = "{name}"\n{room}' for name in ("a", "b", "c", "d", "e"))
    assert routed(read(tmp_path, text)) == {"a", "b", "c", "d", "e"}
    text += '[[route]]\noutlets = ["a"]\n[[route]]\npeople = ["shift"]\n'
    text += '[[person]]\nname = "Ada"\noutlets = ["b"]\n[[person]]\nname = "Bo"\noutlets = ["c"]\n'
    text += '[[duty]]\nroster = "shift"\npeople = ["Ada"]\n[heartbeat]\nat = "07:00"\noutlets = ["d"]\n'
    assert routed(read(tmp_path, text)) == {"a", "b", "d"}
