"""The table of log words says what the code says, no more and no less."""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from service.telemetry.actions import ACTIONS
from tests.observing import dashboard, page
from tests.observing.panels import ROWS

ROOT = Path(__file__).parents[2]
LEVELS = {"debug": "debug", "info": "info", "warning": "warning", "error": "error", "exception": "error"}
HANDED_ON = {
    "report.py": "say",
    "mqtt/client.py": "_log",
    "pulse.py": "_say",
    "entrance.py": "warn",
    "access/door.py": "_alarm",
}
"""Where a logger's method goes by another name, which a level can't be read off."""
BESIDE = {"source", "trial"}
"""What who hands the method on has put in."""


def _calls() -> Iterator[tuple[Path, ast.Call, str]]:
    for path in sorted((ROOT / "service").rglob("*.py")):
        other = next((name for end, name in HANDED_ON.items() if str(path).endswith("service/" + end)), None)
        text = path.read_text(encoding="utf-8")
        if other is None and "log." not in text and "Sparing(" not in text:
            continue
        for node in ast.walk(ast.parse(text)):
            if not isinstance(node, ast.Call):
                continue
            called = ast.unparse(node.func)
            name = called.rpartition(".")[2]
            if (called.startswith("log.") and name in LEVELS) or name == other:
                yield path, node, name
            elif name == "Sparing":
                for word in node.args[1:]:
                    made = ast.Call(ast.Name("log"), [word], [ast.keyword(None, ast.Name("fields"))])
                    yield path, made, ast.unparse(node.args[0]).rpartition(".")[2]


@cache
def _said() -> dict[str, tuple[set[str], set[str]]]:
    """Levels and fields of each word; ``"**"`` among them where some are put together elsewhere."""
    said: dict[str, tuple[set[str], set[str]]] = defaultdict(lambda: (set(), set()))
    for path, call, name in _calls():
        assert call.args, f"{path.name}: a line without a word"
        assert isinstance(call.args[0], ast.Constant), f"{path.name}: {ast.unparse(call)}"
        levels, fields = said[str(call.args[0].value)]
        levels |= {LEVELS[name]} if name in LEVELS else set()
        fields |= {keyword.arg or "**" for keyword in call.keywords}
        fields |= {"exception"} if name == "exception" else set()
    return said


def test_every_word_that_is_said_is_in_the_table_and_no_other():
    assert set(_said()) | {"library"} == set(ACTIONS)


def test_the_table_has_the_level_and_the_fields_of_every_word():
    for word, (levels, fields) in _said().items():
        declared = ACTIONS[word]
        assert levels <= set(declared.levels), word
        assert fields - {"**"} <= set(declared.fields), word
        if "**" not in fields:
            assert set(declared.fields) - BESIDE == fields - BESIDE, word


def test_what_is_worse_than_information_says_what_to_do():
    assert [word for word, each in ACTIONS.items() if set(each.levels) != {"info"} and not each.do] == []


def test_a_words_field_is_none_that_a_line_or_the_logger_needs_itself():
    taken = {"at", "level", "action", "event", "exc_info", "self"}
    assert [word for word, each in ACTIONS.items() if taken & set(each.fields)] == []


def test_the_page_and_the_dashboard_are_what_is_declared():
    text = page.FILE.read_text(encoding="utf-8")
    assert text == page.made(text), "run `make observing`"
    drawn = dashboard.FILE.read_text(encoding="utf-8")
    assert drawn == dashboard.written(dashboard.dashboard()), "run `make observing`"


def test_no_two_panels_lie_over_one_another():
    panels = dashboard.dashboard()["panels"]
    taken: set[tuple[int, int]] = set()
    for panel in panels:
        at = panel["gridPos"]
        cells = {(at["x"] + x, at["y"] + y) for x in range(at["w"]) for y in range(at["h"])}
        assert not cells & taken, panel["title"]
        assert max(x for x, _ in cells) < 24, panel["title"]
        taken |= cells
    assert len({panel["id"] for panel in panels}) == len(panels) == sum(1 + len(row) for _, row in ROWS)
