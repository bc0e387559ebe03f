"""``earlybell what-if``: many settings on one recording, stopped, killed and gone on with."""

from __future__ import annotations

import csv
import json
import os
import signal
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from service.desk import Unfit
from service.sweeps import FILE, kept_in
from simulators.scenario import load_scenario, shipped
from tests.support.processes import LoadedProgram, Program, run_loaded
from tests.support.shifts import shift
from tests.support.wait import eventually

SWEEP = ("--set", "warn.lead_panels=4,8,12,16", "--seeds", "5")
ENVIRONMENT = {name: value for name, value in os.environ.items() if not name.startswith("EARLYBELL_")}


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An hour of two lines."""
    recorded = shift(load_scenario(shipped()["two-lines-by-day"]), seed=5, hours=1.0)
    path = tmp_path_factory.mktemp("recorded") / "shift.jsonl"
    path.write_bytes(b"".join(recorded.lines))
    return path


def what_if(recording: Path, *words: str) -> tuple[int, str, str]:
    done = run_loaded(["what-if", str(recording), *words], folder=recording.parent, environment=ENVIRONMENT)
    return done.returncode, done.stdout.decode(), done.stderr.decode()


@pytest.fixture(scope="module")
def whole(recording: Path) -> str:
    """What comes of it in one go, by one worker."""
    code, out, err = what_if(recording, *SWEEP, "--jobs", "1", "--json", "-")
    assert (code, err) == (0, "")
    return out


def test_many_workers_and_a_kill_in_the_middle_change_no_figure(
    recording: Path, whole: str, tmp_path: Path
) -> None:
    into = tmp_path / "kept"
    words = *SWEEP, "--into", str(into)
    # A loaded one may have no children.
    program = Program(tmp_path, "what-if", str(recording), *words, "--jobs", "2")
    program.start()
    try:
        eventually(lambda: has_lines(into / FILE), timeout=60.0, message=program.tail)
        workers = list(children(program.pid))
        program.kill()
    finally:
        program.remove()
    eventually(lambda: not any(Path(f"/proc/{each}/exe").exists() for each in workers))
    done = (into / FILE).read_bytes()
    assert 1 <= done.count(b"\n") < 5
    (into / FILE).write_bytes(done + b'{"key":"cut of')
    code, out, err = what_if(recording, *words, "--jobs", "1", "--json", "-", "--progress")
    assert code == 0
    assert out == whole
    assert (into / FILE).read_bytes().startswith(done)
    assert (into / FILE).read_bytes().count(b"\n") == 5
    assert f"{done.count(chr(10).encode())} of 5" in err
    assert "5 of 5" in err


def has_lines(file: Path) -> bool:
    return file.exists() and b"\n" in file.read_bytes()


def children(pid: int) -> Iterator[int]:
    """Those that this process started."""
    for each in Path("/proc").iterdir():
        if each.name.isdigit():
            try:
                stat = (each / "stat").read_text()
            except OSError:
                continue
            if int(stat.rpartition(")")[2].split()[1]) == pid:
                yield int(each.name)


def test_a_stop_says_how_to_go_on(recording: Path, tmp_path: Path) -> None:
    into = tmp_path / "kept"
    words = *SWEEP, "--into", str(into), "--jobs", "1"
    program = LoadedProgram(tmp_path, "what-if", str(recording), *words).start()
    try:
        eventually((into / FILE).exists)
        program.signal(signal.SIGINT)
        assert program.wait() == 1
        assert f"stopped. Run it again to go on from {into}." in program.log()
        assert "Traceback" not in program.log()
    finally:
        program.remove()


def test_the_result_says_which_and_why(recording: Path, whole: str) -> None:
    result: dict[str, Any] = json.loads(whole)
    assert result["recording"]["checksum"] == f"sha256:{sha256(recording.read_bytes()).hexdigest()}"
    rows = result["settings"]
    assert sorted(each["set"].get("warn.lead_panels", 0) for each in rows) == [0, 4, 8, 12, 16]
    assert [each["recommended"] for each in rows] == [True, False, False, False, False]
    assert rows[0]["front"]
    assert result["why"][0].startswith(rows[0]["name"])
    assert result["as_it_was"]["emptyings"] == rows[0]["emptyings"] > 0
    for each in rows:
        assert (
            each["warnings"]["missed"] + each["warnings"]["late"] + each["warnings"]["in_time"]
            == each["emptyings"]
        )
        saved = result["towers"]["stop_ms"]["mean"] - each["stop_ms"]["mean"]
        assert each["avoided"]["stop_ms"]["mean"] == pytest.approx(saved, abs=0.05)


def test_a_spreadsheet_has_a_row_for_each(recording: Path, tmp_path: Path) -> None:
    sheet = tmp_path / "settings.csv"
    code, out, _ = what_if(recording, "--seeds", "2", "--csv", str(sheet))
    assert code == 0
    assert "as recorded" in out
    with sheet.open(newline="") as file:
        (row,) = csv.DictReader(file)
    assert row["setting"] == "as recorded"
    assert float(row["stop_minutes"]) >= 0


def test_nobody_else_writes_where_one_writes(recording: Path, tmp_path: Path) -> None:
    with kept_in(tmp_path):
        code, _, err = what_if(recording, "--into", str(tmp_path))
    assert code == 1
    assert "another what-if is writing there" in err


@pytest.mark.parametrize("notes", ["somebody's notes\n", "somebody's notes", "null\n", '{"key":1}\n'])
def test_what_isnt_ours_is_left_alone(tmp_path: Path, notes: str) -> None:
    (tmp_path / FILE).write_text(notes)
    with pytest.raises(Unfit, match="line 1 isn't ours"), kept_in(tmp_path):
        pass
    assert (tmp_path / FILE).read_text() == notes


@pytest.mark.parametrize("cut", range(1, 24))
def test_a_last_line_that_was_cut_off_goes(tmp_path: Path, cut: int) -> None:
    with kept_in(tmp_path) as kept:
        kept.keep("a", {"stops": 1})
    whole = (tmp_path / FILE).read_bytes()
    (tmp_path / FILE).write_bytes(whole + whole[:cut])
    with kept_in(tmp_path) as kept:
        assert kept.results == {"a": {"stops": 1}}
    assert (tmp_path / FILE).read_bytes() == whole


def test_what_is_kept_is_there_again(tmp_path: Path) -> None:
    with kept_in(tmp_path) as kept:
        kept.keep("a", {"stops": 1})
    with kept_in(tmp_path) as kept:
        assert kept.results == {"a": {"stops": 1}}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--set", "warn.chance=7"), "--set warn.chance: 7 is not allowed"),
        (("--other", "nowhere.toml"), "nowhere.toml: can't be read"),
        (("--people", "nobody"), "--people no scenario 'nobody': neither a file nor one of "),
        (("--jobs", "0"), "--jobs: at least 1"),
        (("--html", "nowhere/tried.html"), "--html: there is no folder nowhere"),
    ],
)
def test_what_doesnt_fit_is_said(recording: Path, words: tuple[str, ...], said: str) -> None:
    code, out, err = what_if(recording, *words)
    assert (code, out) == (1, "")
    assert f"earlybell: {said}" in err
