"""``earlybell forecast`` as people use it: a file, a packed one, a pipe; and the numbers of a program that
runs."""

from __future__ import annotations

import gzip
import json
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from tests.support.factory import Factory
from tests.support.processes import LoadedProgram, Program, run_loaded

Json = dict[str, Any]


def tray(*counted: int) -> list[Json]:
    def line(what: str, minute: int, /, **body: Any) -> Json:
        return {"topic": f"floor/L3/P1/{what}", "payload": body, "at": f"2026-03-02T06:{minute:02}:00Z"}

    return [
        line("recipe", 0, recipe="r", usage={"T2": 1}),
        line("count", 1, session="a", seq=1, panels=0, slots={"T2": {"placed": 0, "lost": 0}}),
        line("supply", 2, slot="T2", change="loaded", kind="tray", quantity=160),
        *(
            line(
                "count", 3 + n, session="a", seq=2 + n, panels=each, slots={"T2": {"placed": each, "lost": 0}}
            )
            for n, each in enumerate(counted)
        ),
    ]


def text(events: Sequence[Json]) -> bytes:
    return b"".join(json.dumps(each).encode() + b"\n" for each in events)


def run(
    folder: Path, *words: str, given: bytes = b"", config: str | None = None
) -> tuple[int, list[Json], str]:
    """Exit code, what was printed, and what was said of problems."""
    program = LoadedProgram(folder, "forecast", *words, config=config)
    done = run_loaded(program.words, folder=folder, environment=program.environment, said=given)
    return done.returncode, [json.loads(line) for line in done.stdout.splitlines()], done.stderr.decode()


def test_a_plain_file_a_packed_one_and_a_pipe_give_the_same(tmp_path: Path) -> None:
    data = text(tray(149, 150))
    (tmp_path / "a.jsonl").write_bytes(data)
    (tmp_path / "a.jsonl.gz").write_bytes(gzip.compress(data))
    plain, packed, piped = (
        run(tmp_path, "a.jsonl"),
        run(tmp_path, "a.jsonl.gz"),
        run(tmp_path, "-", given=data),
    )
    assert plain == packed == piped
    code, said, problems = plain
    assert (code, problems) == (0, "")
    assert [each["due"] for each in said if each["type"] == "outlook"] == [None, None, False, False, True]
    assert [each["change"] for each in said if each["type"] == "notice"] == ["opened"]
    assert not list(tmp_path.glob("*.db")), "nothing is stored"


def test_limits_and_usual_quantities_of_the_configuration_rule(tmp_path: Path) -> None:
    config = '[warn]\nlead_panels = 20\n[[slot]]\nslot = "T*"\nkind = "tray"\nfull = 30\n'
    events = tray(5, 9, 10)
    del events[2]["payload"]["quantity"], events[2]["payload"]["kind"]
    _, said, _ = run(tmp_path, "-", "--slots", "L3/P1/*", given=text(events), config=config)
    last = [each for each in said if each["type"] == "outlook"][-1]
    assert (last["lead_panels"], last["kind"], last["assumed"], last["remaining"]["book"]) == (
        20,
        "tray",
        True,
        20,
    )


def test_a_bad_line_is_named_after_what_came_before_it(tmp_path: Path) -> None:
    code, said, problems = run(tmp_path, "-", given=text(tray(149)) + b'{"topic": "floor/L3"}\n')
    assert code == 1
    assert len(said) == 4
    assert problems.startswith("earlybell: -: line 5: ")


@pytest.mark.parametrize("name", ["missing.jsonl", "cut.jsonl.gz", "plain.jsonl.gz"])
def test_a_file_that_cannot_be_read_is_named(tmp_path: Path, name: str) -> None:
    (tmp_path / "cut.jsonl.gz").write_bytes(gzip.compress(text(tray(149)))[:-20])
    (tmp_path / "plain.jsonl.gz").write_bytes(text(tray(149)))
    code, _, problems = run(tmp_path, name)
    assert code == 1
    assert name in problems


@pytest.mark.parametrize("words", [(), ("a", "b"), ("-", "--every", "x")])
def test_misuse_exits_2(tmp_path: Path, words: tuple[str, ...]) -> None:
    code, said, problems = run(tmp_path, *words)
    assert (code, said) == (2, [])
    assert "usage" in problems


def test_a_reader_that_has_read_enough_ends_it_quietly(tmp_path: Path) -> None:
    program = Program(tmp_path, "forecast", "-")
    command = f"{' '.join(program.command)} | head -1"
    done = subprocess.run(
        ["sh", "-c", command],
        input=text(tray(*range(1, 50))),
        capture_output=True,
        cwd=tmp_path,
        env=program.environment,
        timeout=60,
        check=True,
    )
    assert len(done.stdout.splitlines()) == 1
    assert done.stderr == b""


def test_what_a_running_program_recorded_gives_the_numbers_it_shows(factory: Factory, tmp_path: Path) -> None:
    factory.gateway.send("L3/P1/recipe", recipe="r", usage={"T2": 1, "F1": 6})
    factory.gateway.send("L3/order/B", order="B", recipe="r", panels=200, state="running")
    zero = {"T2": {"placed": 0, "lost": 0}, "F1": {"placed": 0, "lost": 0}}
    factory.gateway.send("L3/P1/count", session="a", seq=1, panels=0, slots=zero)
    factory.gateway.send("L3/P1/supply", id="1", slot="T2", change="loaded", kind="tray", quantity=20)
    factory.gateway.send("L3/P1/supply", id="2", slot="F1", change="loaded", kind="tape", quantity=900)
    for panel in range(1, 16):
        slots = {"T2": {"placed": panel, "lost": 0}, "F1": {"placed": 6 * panel, "lost": panel // 8}}
        factory.gateway.send("L3/P1/count", session="a", seq=1 + panel, panels=panel, slots=slots)
    factory.until_counted("L3", "T2", seq=16)
    (tmp_path / "shift.jsonl").write_bytes(factory.api.get("/events").content)
    code, said, _ = run(tmp_path, "shift.jsonl")
    assert code == 0
    last = {each["slot"]: each for each in said if each["type"] == "outlook"}
    shown = factory.get("/lines/L3/slots")
    assert {each["slot"] for each in shown} == set(last) == {"T2", "F1"}
    for each in shown:
        assert {key: last[each["slot"]][key] for key in each} == each
    opened = next(each["notice"]["id"] for each in said if each["type"] == "notice")
    assert opened in {each["id"] for each in factory.get("/notices")}
