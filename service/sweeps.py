"""Many settings tried on one recording, side by side on the cores; what is finished is kept and never tried
again.

Each worker reads the recording once. What is kept is one line of a file for each setting, written through to
the disk before the next; a last line that was cut off by a crash is dropped. Which worker tries what, and
how often one was stopped in between, changes no figure.
"""

from __future__ import annotations

import fcntl
import hashlib
import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import msgspec

from service.desk import Unfit
from service.recordings import lines_of
from service.usecases.altered import Alteration, Heard, hear
from service.usecases.tried import People, figures

Json = dict[str, Any]
FIGURES = 2
"""Grows when the same settings give other figures, so that what was kept before isn't mixed in."""
FILE = "what-if.jsonl"
_BEGINS = b'{"key":"'
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    alteration: Alteration
    plans: bool = False

    def key(self, checksum: str, people: str) -> str:
        """The same for the same recording, settings and people, whenever it is tried."""
        what = [FIGURES, checksum, people, self.plans, msgspec.to_builtins(self.alteration)]
        return hashlib.sha256(msgspec.json.encode(what, order="sorted")).hexdigest()


@dataclass(frozen=True, slots=True)
class Recording:
    file: Path
    heard: Heard
    checksum: str


def read(file: Path) -> Recording:
    """The recording in the file, packed or not. Raises ``Unfit``."""
    if str(file) == "-":
        raise Unfit("must be a file: each worker reads it")
    digest = hashlib.sha256()

    def lines() -> Iterator[bytes]:
        for line in lines_of(file):
            digest.update(line + b"\n")
            yield line

    heard = hear(lines())
    return Recording(file, heard, f"sha256:{digest.hexdigest()}")


def sweep(
    recording: Recording,
    trials: Sequence[Trial],
    people: People,
    *,
    model: str,
    jobs: int,
    into: Path | None = None,
    progress: Progress = lambda done, of: None,
) -> list[Json]:
    """The figures of each trial, in their order. ``model`` names the people's model with all its numbers.
    ``into``: where finished ones are kept. ``progress`` hears how many of how many are finished, those from
    before among them. Raises ``Unfit`` for a folder that can't be used, ``OSError`` when it can't be
    written."""
    keys = [each.key(recording.checksum, model) for each in trials]
    with kept_in(into) as kept:
        waiting = {key: each for key, each in zip(keys, trials, strict=True) if key not in kept.results}
        number = len(set(keys))
        before = number - len(waiting)
        progress(before, number)
        for done, (key, result) in enumerate(_try(recording, waiting, people, jobs), before + 1):
            kept.keep(key, result)
            progress(done, number)
        return [kept.results[key] for key in keys]


# What is kept


class Kept:
    def __init__(self, file: BinaryIO | None, results: dict[str, Json]) -> None:
        self.results = results
        self._file = file

    def keep(self, key: str, result: Json) -> None:
        self.results[key] = result
        if self._file is not None:
            self._file.write(msgspec.json.encode({"key": key, "figures": result}) + b"\n")
            self._file.flush()
            os.fsync(self._file.fileno())


@contextmanager
def kept_in(folder: Path | None) -> Iterator[Kept]:
    """What was finished before in the folder, and where more is kept. Raises ``Unfit`` while another writes
    there."""
    if folder is None:
        yield Kept(None, {})
        return
    try:
        folder.mkdir(parents=True, exist_ok=True)
        file = (folder / FILE).open("a+b")
    except OSError as error:
        raise Unfit(f"{folder}: {error.strerror}") from None
    with file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise Unfit(f"{folder / FILE}: another what-if is writing there") from None
        yield Kept(file, _read_kept(file, folder / FILE))


def _read_kept(file: BinaryIO, name: Path) -> dict[str, Json]:
    """The lines that are there; a last one that was cut off goes."""
    file.seek(0)
    results: dict[str, Json] = {}
    good = 0
    for number, line in enumerate(file, 1):
        if not line.endswith(b"\n") and line[: len(_BEGINS)] == _BEGINS[: len(line)]:
            break
        try:
            row = msgspec.json.decode(line)
            results[row["key"]] = row["figures"]
        except (msgspec.DecodeError, KeyError, TypeError, UnicodeDecodeError):
            raise Unfit(f"{name}: line {number} isn't ours") from None
        good += len(line)
    file.truncate(good)
    return results


# Workers


def _try(
    recording: Recording, waiting: Mapping[str, Trial], people: People, jobs: int
) -> Iterator[tuple[str, Json]]:
    """Each as soon as it is finished."""
    if jobs == 1 or len(waiting) < 2:
        for key, trial in waiting.items():
            yield key, figures(recording.heard, trial.alteration, people, plans=trial.plans)
        return
    pool = ProcessPoolExecutor(
        min(jobs, len(waiting)),
        mp_context=multiprocessing.get_context("spawn"),
        initializer=_begin,
        initargs=(recording.file, recording.checksum, people),
    )
    over = False
    try:
        with _no_command_line():
            coming = {pool.submit(_figures, trial): key for key, trial in waiting.items()}
        for future in as_completed(coming):
            yield coming[future], future.result()
        over = True
    except BrokenProcessPool:
        raise Unfit("a worker was ended, or the recording has changed meanwhile") from None
    finally:
        _end(pool, over=over)


@contextmanager
def _no_command_line() -> Iterator[None]:
    """Workers that start meanwhile don't load the program's command line, and with it all of the program:
    that would cost each of them more than all else they need."""
    main = sys.modules["__main__"]
    kept: dict[str, Any] = {
        name: main.__dict__.pop(name) for name in ("__file__", "__spec__") if name in main.__dict__
    }
    main.__spec__ = None
    try:
        yield
    finally:
        main.__dict__.update(kept)


def _end(pool: ProcessPoolExecutor, *, over: bool) -> None:
    """What is under way when somebody stops it isn't waited for."""
    pool.shutdown(wait=False, cancel_futures=True)
    for each in multiprocessing.active_children() if not over else ():
        each.terminate()


_here: dict[str, Any] = {}


def _begin(file: Path, checksum: str, people: People) -> None:
    """In a worker, before anything else."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # it is ended by who started it
    threading.Thread(target=_end_with_parent, daemon=True).start()
    recording = read(file)
    if recording.checksum != checksum:
        raise Unfit("the recording has changed")
    _here.update(heard=recording.heard, people=people)


def _end_with_parent() -> None:
    """A parent that was killed leaves nobody behind."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _figures(trial: Trial) -> Json:
    return figures(_here["heard"], trial.alteration, _here["people"], plans=trial.plans)
