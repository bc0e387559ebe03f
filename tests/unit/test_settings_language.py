"""Which language the site and its outlets speak, as configured; a language without words is refused."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.outside import outlets
from service.settings import Settings, SettingsError, load

OUTLET = '[[outlet]]\nname = "night"\ntype = "chat"\nurl = "https://chat.plant.example/x"\n'
POLISH = 'msgid "slot {slot}"\nmsgstr "gniazdo {slot}"\n'


def read(tmp_path: Path, text: str) -> Settings:
    file = tmp_path / "plant.toml"
    file.write_text(text, encoding="utf-8")
    return load(file, environ={})


def problems(tmp_path: Path, text: str) -> list[str]:
    with pytest.raises(SettingsError) as refused:
        read(tmp_path, text)
    return str(refused.value).splitlines()


def test_english_is_spoken_where_nothing_is_said(tmp_path: Path) -> None:
    settings = read(tmp_path, OUTLET)
    assert (settings.site.language, settings.site.languages) == ("en", None)
    assert settings.outlets[0].language is None


def test_the_site_and_each_outlet_may_speak_a_language_of_theirs(tmp_path: Path) -> None:
    settings = read(tmp_path, f'[site]\nlanguage = "de"\n{OUTLET}language = "en"\n')
    assert (settings.site.language, settings.outlets[0].language) == ("de", "en")


def test_each_outlet_speaks_its_own_language_else_the_sites(tmp_path: Path) -> None:
    day = OUTLET.replace("night", "day")
    settings = read(tmp_path, f'[site]\nlanguage = "de"\n{OUTLET}language = "en"\n{day}')
    spoken = {name: outlet._language.tag for name, outlet in outlets(settings, 8080).items()}  # type: ignore[attr-defined]
    assert spoken == {"night": "en", "day": "de"}


def test_a_directory_of_files_adds_languages(tmp_path: Path) -> None:
    (tmp_path / "words").mkdir()
    (tmp_path / "words" / "pl.po").write_text(POLISH, encoding="utf-8")
    text = f'[site]\nlanguage = "pl"\nlanguages = "{tmp_path}/words"\n{OUTLET}language = "pl"\n'
    assert read(tmp_path, text).site.language == "pl"


def test_a_language_without_words_is_told_with_those_there_are(tmp_path: Path) -> None:
    (site,) = problems(tmp_path, '[site]\nlanguage = "fr"\n')
    assert "there are no words for 'fr' (there are: en, de)" in site
    (outlet,) = problems(tmp_path, f'{OUTLET}language = "fr"\n')
    assert "outlet night: language: there are no words for 'fr'" in outlet


def test_a_file_that_can_not_be_read_is_told_before_anybody_needs_it(tmp_path: Path) -> None:
    (tmp_path / "pl.po").write_text("nonsense\n", encoding="utf-8")
    (line,) = problems(tmp_path, f'[site]\nlanguages = "{tmp_path}"\n')
    assert "site.languages: holds a file that can't be read (pl.po: " in line


def test_a_directory_that_is_not_there_is_told(tmp_path: Path) -> None:
    (line,) = problems(tmp_path, f'[site]\nlanguages = "{tmp_path}/none"\n')
    assert "site.languages: is no directory" in line
