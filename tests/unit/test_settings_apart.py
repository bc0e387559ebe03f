"""What must differ between ``[mqtt]`` and each ``[[source]]``, and with which words it is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.settings import Settings, SettingsError, load

ELSEWHERE = 'url = "mqtt://other.example:1884"'


def read(folder: Path, text: str, **environ: str) -> Settings:
    file = folder / "plant.toml"
    file.write_text(text, encoding="utf-8")
    return load(file, environ)


def native(name: str, *lines: str) -> str:
    return "\n".join(["[[source]]", f'name = "{name}"', 'format = "native"', *lines, ""])


def refused(folder: Path, text: str, **environ: str) -> str:
    with pytest.raises(SettingsError) as caught:
        read(folder, text, **environ)
    [line] = caught.value.lines
    return line


def test_sources_on_several_brokers_and_under_several_roots_go_together(tmp_path: Path) -> None:
    text = "".join(
        [
            native("north", 'root = "north"'),
            native("floors", 'root = "floors"'),
            native("hall-2", ELSEWHERE),
            native("hall-3", 'root = "floor-3"', ELSEWHERE, 'client_id = "bell"', 'username = "b"'),
            native("hall-4", 'url = "mqtt://127.0.0.1:1884"', 'client_id = "earlybell"'),
        ]
    )

    assert [each.name for each in read(tmp_path, text).sources] == [
        "north", "floors", "hall-2", "hall-3", "hall-4",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (native("north", 'root = "a"') + native("north", 'root = "b"'), "source north is there twice"),
        (native("mqtt", 'root = "a"'), "source mqtt can't have that name: it is that of [mqtt]"),
        (native("north"), "source north and [mqtt], on one broker, have overlapping roots: floor and floor"),
        (native("north", 'root = "floor/north"'), "overlapping roots: floor/north and floor"),
        (native("north", 'root = "earlybell"'), "overlapping roots: earlybell and earlybell"),
        (
            native("north", 'url = "mqtt://127.0.0.1"'),
            "source north and [mqtt], on one broker, have overlapping roots",
        ),
        (
            native("north", ELSEWHERE, 'root = "plant/north"') + native("all", ELSEWHERE, 'root = "plant"'),
            "source all and source north, on one broker, have overlapping roots: plant and plant/north",
        ),
        (
            native("north", 'root = "north"', 'client_id = "earlybell"'),
            "source north and [mqtt], on one broker, have one client_id",
        ),
        (
            native("a", ELSEWHERE, 'root = "a"', 'client_id = "earlybell-b"')
            + native("b", ELSEWHERE, 'root = "b"'),
            "source b and source a, on one broker, have one client_id",
        ),
        (
            native("north", ELSEWHERE, 'password = "said alone"'),
            "source north: a password needs a username beside it (set username)",
        ),
        (
            f'[mqtt]\nclient_id = "{"x" * 60}"\n' + native("north"),
            f"source north: client_id would be {'x' * 60}-north (set it for this source)",
        ),
        (
            native("north", ELSEWHERE, f'ca_file = "{__file__}"'),
            "source north: ca_file, cert_file and key_file are for TLS (begin url with mqtts://)",
        ),
    ],
)
def test_what_would_get_into_the_way_of_another_is_refused(tmp_path: Path, text: str, words: str) -> None:
    line = refused(tmp_path, text)

    assert words in line
    assert line.startswith(f"{tmp_path / 'plant.toml'}: source ")
    assert "said alone" not in line


def test_names_from_the_environment_are_held_to_the_same(tmp_path: Path) -> None:
    environ = {
        f"EARLYBELL_SOURCE__{number}__{key}": value
        for number, root in enumerate(("a", "b"))
        for key, value in (("NAME", "north"), ("FORMAT", "native"), ("ROOT", root))
    }

    assert "source north is there twice" in refused(tmp_path, "", **environ)


def test_what_else_is_wrong_is_said_first(tmp_path: Path) -> None:
    line = refused(tmp_path, native("north", 'root = "no+root"') + native("north"))

    assert "source[0].root" in line
