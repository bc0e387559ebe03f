"""The pages keep to their own policy: no script or style stands in them, none comes from elsewhere."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

import service.web

WEB = Path(service.web.__file__).parent
PAPER = WEB.parent / "paper" / "templates"
TEMPLATES = [*sorted((WEB / "templates").glob("*.html")), PAPER / "body.html"]
MODULES = sorted((WEB / "static").glob("*.js"))


class Inline(HTMLParser):
    """Collects what the policy would forbid."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[str] = []
        self.feed(re.sub(r"{%.*?%}|{#.*?#}", "", text, flags=re.DOTALL))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        if tag == "style" or (tag == "script" and "src" not in given):
            self.found.append(tag)
        self.found += [name for name in given if name == "style" or name.startswith("on")]
        for name in ("src", "href", "action"):
            if re.match(r"\s*(https?:|//|javascript:|data:)", given.get(name) or ""):
                self.found.append(f"{name}={given[name]}")


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.name)
def test_no_template_has_a_script_a_style_or_an_address_of_its_own(path: Path) -> None:
    assert Inline(path.read_text(encoding="utf-8")).found == []


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.name)
def test_no_module_makes_markup_or_code_of_text(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    for means in ("innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "eval(", "new Function"):
        assert means not in text
    assert not re.search(r"""(import|fetch)\s*\(?\s*["'`](https?:)?//""", text)


def test_what_is_looked_for_is_found() -> None:
    for text in (
        "<p style='x'>",
        "<script>1</script>",
        "<style></style>",
        "<a onclick=x>",
        "<img src='//e.example'>",
    ):
        assert Inline(text).found
