"""The catalogues hold every text there is for people; none gets past them, as far as that can be seen."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import pytest
from babel.messages.catalog import Message
from babel.messages.pofile import read_po

from service.language.speech import names_in, read
from tests.words.gather import STATIC, TEMPLATES, WORDS, everywhere, gather, in_module, in_python, in_template
from tests.words.javascript import Token, tokens_of

CATALOGUES = sorted(WORDS.glob("*.po"))


def forms(message: Message) -> list[str]:
    said = message.string
    return [said] if isinstance(said, str) else list(said or ())


@pytest.mark.parametrize("file", CATALOGUES, ids=lambda file: file.stem)
def test_a_catalogue_of_ours_is_complete_and_holds_nothing_else(file: Path) -> None:
    """After a change to a text: `make words`, then fill in what it names."""
    wanted = {message.id for message in gather() if message.id}
    catalogue = [message for message in read(file) if message.id]
    assert {message.id for message in catalogue} == wanted
    assert [message.id for message in catalogue if not all(forms(message)) or message.fuzzy] == []


@pytest.mark.parametrize("file", CATALOGUES, ids=lambda file: file.stem)
def test_a_translation_fills_in_what_the_english_text_fills_in(file: Path) -> None:
    differ = []
    for message in read(file):
        meant = message.id if isinstance(message.id, tuple | list) else [message.id]
        names = [names_in(each) for each in meant]  # the one for one thing may say "1" in words
        differ += [form for form in forms(message) if message.id and names_in(form) not in names]
    assert differ == []


@pytest.mark.parametrize("file", CATALOGUES, ids=lambda file: file.stem)
def test_a_translation_begins_and_ends_like_the_english_text(file: Path) -> None:
    """Texts are put together: a blank or a full stop too many or too few shows."""
    ends = re.compile(r"^(\s*).*?([\s.:?!…]*)$", re.DOTALL)
    differ = [
        (message.id, form)
        for message in read(file)
        for form in forms(message)
        if message.id and isinstance(message.id, str)
        and ends.fullmatch(form).groups() != ends.fullmatch(message.id).groups()  # type: ignore[union-attr]
    ]  # fmt: skip
    assert differ == []


def test_the_template_for_a_further_language_is_up_to_date() -> None:
    with (WORDS / "words.pot").open("rb") as file:
        assert {each.id for each in read_po(file)} == {each.id for each in gather()}


def test_a_text_is_either_counted_or_not() -> None:
    """One key has one entry: said alone and counted, one of the two would be lost."""
    kinds = Counter(
        key
        for key, _ in {
            (t if isinstance(t, str) else t[0], type(t)) for _, texts in everywhere() for t in texts
        }
    )
    assert [key for key, times in kinds.items() if times > 1] == []


def test_what_stands_in_calls_inside_calls_and_in_template_strings_is_gathered() -> None:
    module = 'say(e, t("a {x}", { x: t("b") })); const w = `${t("c")} ${ok ? `${t("d")}` : t("e" + "f")}`;'
    assert set(in_module(module + 'many(n, "{n} g", "{n} gs", { y: t("h") }); // t("no")')) == {
        "a {x}", "b", "c", "d", "ef", ("{n} g", "{n} gs"), "h",
    }  # fmt: skip
    assert list(in_template('{{ t("a") }} <p title="{{ t("b", x=t("c")) }}">')) == ["a", "b", "c"]
    code = 'say, many = l.say, l.say_many\nsay("a")\nmany("b", "c", 2)\nx.say("d", y=say("e"))\n'
    code += 'Said("f", {}, many="g")'
    assert set(in_python(code)) == {"a", ("b", "c"), "d", "e", ("f", "g")}


# What gets past them

SPOKEN = ("alt", "aria-label", "placeholder", "title", "content")
NAMES = {
    "Earlybell",
    "width=device-width, initial-scale=1",
    "light dark",
    "noindex",
    "MTBF",
    "MTTR",
    "PDF",
    "HTML",
    "JSON",
    "csv",
    "device",
    "dark",
    "bright",
}


class Spoken(HTMLParser):
    """The words in a template, outside of what Jinja puts in."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []

    def handle_data(self, data: str) -> None:
        self.words += [data]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.words += [value or "" for name, value in attrs if name in SPOKEN]


@pytest.mark.parametrize("file", TEMPLATES, ids=lambda file: file.stem)
def test_a_page_template_says_nothing_in_english_alone(file: Path) -> None:
    text = re.sub(r"\{#.*?#\}|\{\{.*?\}\}|\{%.*?%\}", "", file.read_text(encoding="utf-8"), flags=re.DOTALL)
    page = Spoken()
    page.feed(text)
    said = [re.sub(r'data-[\w-]+=""', "", word).strip(" ·.,\n") for word in page.words]
    assert [
        word for word in said if re.search(r"[A-Za-z]{2}", word) and word not in NAMES and "/api/" not in word
    ] == []


def bare_strings(source: str) -> Iterator[str]:
    """The strings of a module that are given to neither ``t`` nor ``many``, nor compared or used as keys."""
    spoken, depth, before = [0], 0, ["", ""]
    tokens = [*tokens_of(source), Token("end", "")]
    for token, after in pairwise(tokens):
        for inner in token.inner:
            yield from bare_strings(inner)
        if token.kind == "operator" and token.value == "(":
            depth += 1
            spoken += [depth] if before[1] in {"t", "many"} else []
        elif token.kind == "operator" and token.value == ")":
            depth -= 1
            spoken = [each for each in spoken if each <= depth]
        elif token.kind == "template" or (token.kind == "string" and len(spoken) == 1 and after.value != ":"):
            yield token.value
        before = [before[1], token.value]


SENTENCE = re.compile(r"[A-Z][a-z]+[^A-Z<>{}=]* [a-z]|[a-z]{2,} [a-z]{2,}[.?!:…]|^[A-Z][a-z]{2,}…?$")
CODE = {"Notification", "Earlybell", "Escape", "Enter", "Tab", "Space", "Bearer ", "Home", "End"}


@pytest.mark.parametrize("file", sorted(STATIC.glob("*.js")), ids=lambda file: file.stem)
def test_a_module_of_the_page_says_nothing_in_english_alone(file: Path) -> None:
    """What looks like a word or a sentence is given to ``t`` or ``many``; classes and keys look different."""
    bare = bare_strings(file.read_text(encoding="utf-8"))
    assert [text for text in bare if SENTENCE.search(text) and text not in CODE] == []
