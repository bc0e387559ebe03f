"""The command that tries other settings on a recording: ``what-if``. It asks the simulator's people who would
have come when."""

from __future__ import annotations

import argparse
import csv
import hashlib
import os
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO

import msgspec

from service.commands.common import Adding, problem
from service.desk import Unfit
from service.language import languages, speak
from service.paper.supposed import supposed
from service.settings import load
from service.settings.trials import choices
from service.sweeps import Recording, Trial, read, sweep
from service.telemetry import configure_logging
from service.usecases.altered import Alteration
from service.usecases.compared import lines_of, rows_of
from service.usecases.what_if import Json, Tried, about, table
from simulators.answering import Crew
from simulators.scenario import Scenario, ScenarioError, find_scenario

PEOPLE = "two-lines-by-day"
MOST = 2000
"""Choices in one sweep, of all files together; more is a slip."""


def add(commands: Adding, common: argparse.ArgumentParser) -> None:
    command = commands.add_parser(
        "what-if", parents=[common], help="a recording under other settings: warnings, messages, stops"
    )
    command.add_argument("file", type=Path, metavar="FILE", help="a recording, as export writes it")
    command.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="KEY=VALUE,…",
        help="a key of [warn] or [plan] and what to try; several: every choice of one value of each",
    )
    command.add_argument(
        "--other", action="append", default=[], type=Path, metavar="TOML", help="a whole other configuration"
    )
    command.add_argument(
        "--into", type=Path, metavar="DIR", help="keep what is finished here, and go on from it"
    )
    command.add_argument("--jobs", type=int, default=_cores(), metavar="N", help="workers (one a core)")
    command.add_argument(
        "--people",
        default=PEOPLE,
        metavar="SCENARIO",
        help=f"whose people answer: a name or a file ({PEOPLE})",
    )
    command.add_argument("--seeds", type=int, default=20, metavar="N", help="tries of each setting (20)")
    command.add_argument("--json", metavar="FILE", help="everything, as JSON; - is standard output")
    command.add_argument("--csv", metavar="FILE", help="a row a setting; - is standard output")
    command.add_argument("--html", type=Path, metavar="FILE", help="a page with table and picture")
    command.add_argument("--language", default="en", metavar="CODE", help="of the page (en)")
    command.add_argument("--progress", action="store_true", help="show progress though no terminal is there")
    command.set_defaults(run=_run)


def _cores() -> int:
    return len(os.sched_getaffinity(0))


def _run(known: argparse.Namespace) -> int:
    configure_logging(known.log_level)
    if wrong := list(_misfits(known)):
        return problem(*wrong)
    settings = list(_settings(known))
    try:
        scenario = find_scenario(known.people)
        recording = read(known.file)
    except Unfit as error:
        return problem(f"{known.file}: {error}")
    except ScenarioError as error:
        return problem(*(f"--people {line}" for line in str(error).splitlines()))
    try:
        return _try(known, recording, scenario, settings)
    except KeyboardInterrupt:
        hint = f" Run it again to go on from {known.into}." if known.into else ""
        return problem(f"stopped.{hint}")
    except (OSError, Unfit) as error:
        return problem(str(error))


def _misfits(known: argparse.Namespace) -> Iterator[str]:
    """What would come to nothing only after all was tried."""
    for name in ("jobs", "seeds"):
        if getattr(known, name) < 1:
            yield f"--{name}: at least 1"
    if known.language not in languages(None):
        yield f"--language: {known.language!r} isn't known; there are {', '.join(languages(None))}"
    for name in ("json", "csv", "html"):
        file = getattr(known, name)
        if file is not None and not Path(file).parent.is_dir():
            yield f"--{name}: there is no folder {Path(file).parent}"


@dataclass(frozen=True, slots=True)
class _Setting:
    keys: dict[str, Any]
    other: str | None
    alteration: Alteration


def _settings(known: argparse.Namespace) -> Iterator[_Setting]:
    """As recorded, then each other file, then every choice on top of each. Raises ``SettingsError``."""
    chosen, refused = choices(known.set, most=MOST // (1 + len(known.other)))
    for line in refused:
        print(f"earlybell: left out: {line}", file=sys.stderr)
    bases: list[tuple[str | None, bytes | None]] = [(None, None)]
    bases += [
        (path.name, msgspec.json.encode(load(path, known.environment).policy())) for path in known.other
    ]
    for other, whole in bases:
        yield _Setting({}, other, Alteration(whole=whole))
    for other, whole in bases:
        for choice in chosen:
            yield _Setting(dict(choice), other, _altered(choice, whole))


def _altered(choice: Any, whole: bytes | None) -> Alteration:
    warn, plan = (
        tuple((key.partition(".")[2], value) for key, value in choice.items() if key.startswith(section))
        for section in ("warn.", "plan.")
    )
    return Alteration(warn=warn, plan=plan, whole=whole)


def _try(
    known: argparse.Namespace, recording: Recording, scenario: Scenario, settings: Sequence[_Setting]
) -> int:
    crew = Crew.of(scenario, known.seeds)
    plans = any(each.alteration.plan or each.alteration.whole for each in settings)
    bar = Bar(shown=known.progress or sys.stderr.isatty())
    try:
        tried = sweep(
            recording,
            [Trial(alteration=each.alteration, plans=plans) for each in settings],
            crew,
            model=_model(crew),
            jobs=known.jobs,
            into=known.into,
            progress=bar.show,
        )
    finally:
        bar.end()
    result = table(
        about(recording.heard, recording.checksum),
        {"scenario": scenario.name, "crew": len(scenario.people.names)},
        [
            Tried(keys=each.keys, other=each.other, figures=figures)
            for each, figures in zip(settings, tried, strict=True)
        ],
    )
    _write(known, result)
    return 0


def _model(crew: Crew) -> str:
    """All numbers of the people's model, as one name."""
    positions = sorted((*post, *where) for post, where in crew.positions.items())
    data = msgspec.json.encode([crew.seeds, crew.people, positions], order="sorted")
    return hashlib.sha256(data).hexdigest()


class Bar:
    """How much is done and how long the rest takes, on one line of standard error."""

    def __init__(self, *, shown: bool) -> None:
        self._shown = shown
        self._began: tuple[float, int] | None = None

    def show(self, done: int, of: int) -> None:
        now = time.monotonic()
        if self._began is None:
            self._began = now, done
        if self._shown:
            filled = 30 * done // max(1, of)
            line = f"[{'#' * filled}{'.' * (30 - filled)}] {done} of {of}{self._left(now, done, of)}"
            print(f"\r{line:<72}", end="", file=sys.stderr, flush=True)

    def _left(self, now: float, done: int, of: int) -> str:
        began, before = self._began or (now, done)
        if done in {before, of}:
            return ""
        seconds = round((now - began) / (done - before) * (of - done))
        return f", {seconds // 60}:{seconds % 60:02} left"

    def end(self) -> None:
        if self._shown:
            print(file=sys.stderr)


# What is written


def _write(known: argparse.Namespace, result: Json) -> None:
    if known.json is not None:
        with _into(known.json) as file:
            file.write(msgspec.json.format(msgspec.json.encode(result), indent=2).decode() + "\n")
    if known.csv is not None:
        with _into(known.csv) as file:
            csv.writer(file, lineterminator="\n").writerows(rows_of(result))
    if known.html is not None:
        known.html.write_text(supposed(result, speak(known.language, None)), encoding="utf-8")
    if "-" not in (known.json, known.csv):
        print("\n".join(lines_of(result)))


def _into(name: str) -> AbstractContextManager[TextIO]:
    return nullcontext(sys.stdout) if name == "-" else Path(name).open("w", encoding="utf-8", newline="")
