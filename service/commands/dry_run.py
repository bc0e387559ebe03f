"""What a draft would count, heard live and shown beside what is counted meanwhile: ``listen --try``."""

from __future__ import annotations

import argparse
import json
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from pydantic import SecretStr

from service.bootstrap import wall_clock
from service.commands.common import open_it, problem, to_people
from service.mqtt.listener import PATIENCE, as_guest
from service.ports import StoreError, StoreRevisionError
from service.settings import Settings
from service.settings.drafts import sources_in
from service.trial import Trials
from service.usecases.overheard import table

SHOWN_EVERY = 5.0
LOOK = 0.1
Counted = Callable[[], Mapping[str, bytes]]
Figures = Mapping[str, Any]


def try_out(known: argparse.Namespace, settings: Settings, stop: threading.Event) -> int:
    """For so many seconds from when all are connected, or until ``stop``. Raises ``SettingsError`` for a
    draft that doesn't fit, ``OSError`` for a file that can't be read."""
    sources = sources_in(known.draft_to_try.read_text(encoding="utf-8"), settings)
    if known.password_file is not None:
        login = {"password": password_in(known.password_file)}
        sources = [
            each if each.username is None or each.password else each.model_copy(update=login)
            for each in sources
        ]
    with _counted(settings) as counted:
        trials = Trials(settings, sources, counted=counted, clock=wall_clock, meet=as_guest)
        trials.start()
        try:
            _wait(trials, known.seconds, stop)
            figures = trials.figures()
        finally:
            trials.stop()
    print(json.dumps(figures, ensure_ascii=False) if known.json else "\n".join(lines(figures)))
    lacking = [f"source {each['source']}: {each['trouble']}" for each in figures if not each["connected"]]
    return problem(*lacking) if lacking else 0


def password_in(file: Path) -> SecretStr:
    """The first line. Raises ``OSError``."""
    return SecretStr(file.read_text(encoding="utf-8").partition("\n")[0].rstrip("\r"))


@contextmanager
def _counted(settings: Settings) -> Iterator[Counted]:
    """What the running service has committed, as its store has it; nothing where there is none."""
    try:
        store = open_it(settings, migrate=False)
    except (StoreError, StoreRevisionError) as error:
        to_people(f"nothing is shown beside it: {error}")
        yield dict
        return

    def states() -> Mapping[str, bytes]:
        try:
            return store.archive.states("station/")
        except StoreError:
            return {}

    try:
        yield states
    finally:
        store.close()


def _wait(trials: Trials, seconds: float, stop: threading.Event) -> None:
    began = shown = time.monotonic()
    ends = began + PATIENCE
    connected = False
    while time.monotonic() < ends and not stop.wait(LOOK):
        if not connected and all(each["connected"] for each in trials.figures()):
            connected, began = True, time.monotonic()
            ends = began + seconds
        if time.monotonic() - shown >= SHOWN_EVERY:
            shown = time.monotonic()
            understood = sum(sum(each["messages"].values()) for each in trials.figures())
            to_people(
                f"{shown - began:.0f} of {seconds:.0f} s: {understood} messages of ours in what was said"
            )


def lines(figures: Sequence[Figures]) -> Iterator[str]:
    """A table for people."""
    for each in figures:
        kinds = ", ".join(f"{times} {kind}" for kind, times in each["messages"].items() if kind != "gateway")
        yield f"source {each['source']}: {kinds or 'nothing'}"
        if each["slots"]:
            yield from table(("slot", "placed", "lost", "placed now", "lost now"), map(_slot, each["slots"]))
        if each["panels"]:
            yield from table(("station", "panels", "panels now"), map(_station, each["panels"]))
        for refused in each["refused"]:
            yield f"refused {refused['times']} times: {refused['reason']}"


def _slot(slot: Figures) -> Sequence[str]:
    trial, counted = slot["trial"], slot["counted"] or {}
    return (
        f"{slot['line']}/{slot['station']}/{slot['slot']}",
        *(_shown(side.get(what)) for side in (trial, counted) for what in ("placed", "lost")),
    )


def _station(station: Figures) -> Sequence[str]:
    place = f"{station['line']}/{station['station']}"
    return place, _shown(station["trial"]), _shown(station["counted"])


def _shown(number: int | None) -> str:
    return "–" if number is None else str(number)
