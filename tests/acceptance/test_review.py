"""``earlybell review`` as people use it: a recorded hour as page, PDF, JSON and sheets, in a few words."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from service.store import open_store
from service.usecases.replay import replay
from tests.acceptance.test_export import Desk
from tests.support.reports import made_report
from tests.support.taped import tape, taped

SHEETS = ["losses.csv", "lost.csv", "stops.csv", "times.csv", "warnings.csv"]


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    tape(tmp_path)
    return Desk(tmp_path, f'[store]\nurl = "sqlite:///{tmp_path}/kept.db"\n')


def test_a_recording_is_reviewed_in_every_form(desk: Desk) -> None:
    words = ("--json", "r.json", "--html", "r.html", "--pdf", "r.pdf", "--csv", "sheets", "--language", "de")
    code, out, said = desk.run("review", "shift.jsonl", *words)
    assert (code, out) == (0, b"")
    assert [line.partition("written: ")[2] for line in said.splitlines() if "written" in line] == [
        "r.json", "r.html", "r.pdf", "sheets/stops.csv", "sheets/lost.csv", "sheets/times.csv",
        "sheets/warnings.csv", "sheets/losses.csv",
    ]  # fmt: skip
    folder = desk.folder
    assert json.loads((folder / "r.json").read_bytes()) == made_report()
    page = (folder / "r.html").read_text(encoding="utf-8")
    assert page.startswith("<!doctype html>")
    assert "<h1>Rückblick, Linie L3</h1>" in page
    assert (folder / "r.pdf").read_bytes().startswith(b"%PDF-1.")
    assert sorted(each.name for each in (folder / "sheets").iterdir()) == SHEETS
    with (folder / "sheets" / "warnings.csv").open(encoding="utf-8", newline="") as sheet:
        assert len(list(csv.DictReader(sheet))) == made_report()["warnings"]["number"]


def test_what_the_store_has_kept_is_reviewed_and_said_in_words(desk: Desk) -> None:
    store = open_store(f"sqlite:///{desk.folder}/kept.db", migrate=True)
    try:
        replay(taped(), store.ledger)
    finally:
        store.close()
    code, out, _ = desk.run("review", "--from", "2026-03-02 06:00", "--to", "2026-03-02 07:00")
    said = out.decode().splitlines()
    assert code == 0
    assert said[0] == "Earlybell, 2026-03-02 06:00 – 07:00 UTC"
    assert said[1].startswith("- Line L3 stood ")


def test_other_settings_on_a_recording_are_tried_by_the_same_command(desk: Desk) -> None:
    tried, said = (desk.run(*words, "none.jsonl") for words in (("review", "--what-if"), ("what-if",)))
    assert tried == said
    assert tried[0] == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "say which recording, or --from and --to"),
        (("none.jsonl",), "none.jsonl"),
        (("shift.jsonl", "--from", "soon"), "--from: 'soon' is no time"),
        (
            ("shift.jsonl", "--from", "2026-03-02 07:00", "--to", "2026-03-02 06:00"),
            "--from must be before --to",
        ),
        (("shift.jsonl", "--from", "2026-03-03 06:00"), "no entry in that time"),
        (("shift.jsonl", "--line", "L9"), "no line 'L9'"),
        (("shift.jsonl", "--language", "xx"), "--language: 'xx' isn't known"),
    ],
)
def test_what_cannot_be_reviewed_is_said(desk: Desk, words: tuple[str, ...], said: str) -> None:
    code, out, told = desk.run("review", *words)
    assert (code, out) == (1, b"")
    assert said in told
