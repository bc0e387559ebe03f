"""In which language a page is: chosen on the device, else asked by the browser, else the site's."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI

from tests.support.access import Entrance
from tests.support.floor import Floor, plant
from tests.unit.web.conftest import TestClient  # type: ignore[attr-defined]

GERMAN = "Braucht jemanden"
SLOT = "/line/L3/station/P2/slot/T2"


def language_of(client: Any, **headers: str) -> str:
    page = client.get("/", headers={"accept": "text/html"} | headers)
    assert (GERMAN in page.text) == ('<html lang="de"' in page.text)
    return str(page.text.split('<html lang="')[1].split('"')[0])


@pytest.mark.parametrize(
    ("asked", "language"),
    [
        ("", "en"),
        ("de", "de"),
        ("de-AT,de;q=0.9,en;q=0.8", "de"),
        ("en-GB,en;q=0.9,de;q=0.8", "en"),
        ("fr-FR,fr;q=0.9,de;q=0.5,en;q=0.4", "de"),
        ("en;q=0.1, DE;q=0.2", "de"),
        ("fr, *", "en"),
        ("de;q=0, en", "en"),
        ("de;q=many", "en"),
        (";;,,q=,de-", "de"),
        ("x" * 5000, "en"),
    ],
)
def test_a_browser_gets_the_first_language_it_asks_for_that_there_is(
    client: Any, asked: str, language: str
) -> None:
    """RFC 9110, 12.5.4: weights; 0 is not acceptable."""
    assert language_of(client, **{"accept-language": asked}) == language


def test_without_a_wish_a_page_is_in_the_language_of_the_site(
    web: tuple[FastAPI, Floor], client: Any
) -> None:
    web[0].state.language = "de"
    assert language_of(client) == "de"
    assert language_of(client, **{"accept-language": "fr"}) == "de"
    assert language_of(client, **{"accept-language": "en"}) == "en"


def test_what_was_chosen_on_the_device_goes_before_what_its_browser_asks_for(client: Any) -> None:
    client.cookies.set("earlybell_language", "en")
    assert language_of(client, **{"accept-language": "de"}) == "en"
    client.cookies.set("earlybell_language", "../../etc")
    assert language_of(client, **{"accept-language": "de"}) == "de"


@pytest.mark.parametrize("path", ["/", SLOT, "/record", "/nowhere", "/notice/n-L3-P2-T2"])
def test_each_page_offers_each_language_by_its_own_name(client: Any, path: str) -> None:
    page = client.get(path, headers={"accept": "text/html", "accept-language": "de"}).text
    assert '<option value="de" lang="de">Deutsch</option>' in page
    assert '<option value="en" lang="en">English</option>' in page
    assert 'src="/static/words/de.js"' in page


def test_a_page_in_english_asks_for_no_words(client: Any) -> None:
    assert "/static/words/" not in client.get("/", headers={"accept": "text/html"}).text


def test_signing_in_speaks_the_language_too_and_its_words_are_open_to_all() -> None:
    entrance = Entrance()
    entrance.knows("Mira", "act")
    client = TestClient(plant(door=entrance.door)[0], base_url="https://bell.ferrow.example")
    page = client.get("/sign-in", headers={"accept": "text/html", "accept-language": "de"})
    assert "Anmelden" in page.text
    headers = {"accept-language": "de", "sec-fetch-site": "same-origin"}
    refused = client.post("/sign-in", data={"name": "Mira", "password": "x"}, headers=headers)
    assert "Name und Passwort gehören nicht zusammen." in refused.text
    assert client.get("/static/words/de.js").status_code == 200


def test_the_words_of_a_language_are_a_script_that_is_fetched_once(client: Any) -> None:
    words = client.get("/static/words/de.js")
    assert words.headers["content-type"].startswith("text/javascript")
    script = words.text.removeprefix("globalThis.earlybellWords = ").removesuffix(";\n")
    told = json.loads(script)
    assert told["texts"]["I'm on it"] == "Ich übernehme"
    assert told["texts"]["{n} part"] == ["{n} Teil", "{n} Teile"]
    assert told["plurals"] == {"one": 0, "other": 1}
    again = client.get("/static/words/de.js", headers={"if-none-match": words.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")


@pytest.mark.parametrize("tag", ["fr", "..%2F..%2Fpages", "de.po", "DE"])
def test_there_are_no_words_for_what_is_no_language_here(client: Any, tag: str) -> None:
    assert client.get(f"/static/words/{tag}.js").status_code == 404


def test_a_plants_own_language_is_offered_and_its_words_are_text_and_never_markup(
    web: tuple[FastAPI, Floor], client: Any, tmp_path: Path
) -> None:
    (tmp_path / "nl.po").write_text(
        'msgid "Needs someone"\nmsgstr "<b>Iemand nodig</b>"\n\nmsgid "line {line}"\nmsgstr "lijn {line}"\n',
        encoding="utf-8",
    )
    web[0].state.languages = tmp_path
    page = client.get("/", headers={"accept": "text/html", "accept-language": "nl"}).text
    assert '<html lang="nl" dir="ltr">' in page
    assert "&lt;b&gt;Iemand nodig&lt;/b&gt;" in page
    assert "Nederlands</option>" in page
    assert "<b>Iemand" in client.get("/static/words/nl.js").text


def test_a_notice_is_told_in_the_language_even_without_scripts(client: Any, floor: Floor) -> None:
    floor.ask("P2", "T2")
    page = client.get("/notice/q-L3-P2-T2", headers={"accept": "text/html", "accept-language": "de"}).text
    assert "L3 P2 T2 wurde nachgefüllt, und niemand hat gesagt womit." in page


def test_the_api_gives_the_sentence_before_it_was_put_into_english(client: Any, floor: Floor) -> None:
    floor.ask("P2", "T2")
    told = client.get("/api/v1/notices/q-L3-P2-T2", headers={"accept-language": "de"}).json()
    assert told["message"] == "L3 P2 T2 was refilled and nobody said with what. How many parts were loaded?"
    assert told["said"]["text"].startswith("{where} was refilled")
    assert told["said"]["values"] == {"where": "L3 P2 T2"}
