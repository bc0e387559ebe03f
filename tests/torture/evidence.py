"""What is left when the faults are over: waits until everything is settled, then gathers what the program
says and what the receivers wrote down. Judges nothing."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from service.store import open_store
from service.usecases.replay import replay
from tests.support.wait import eventually
from tests.torture.ledger import Place, Truth, read_truth
from tests.torture.stage import SECRET, Stage

Json = dict[str, Any]
PAGE = 1000
HEALS_WITHIN = 40.0
"""Seconds: three askings for a hole, 2 s, 5 s and 15 s apart; the fourth comes a minute later."""


class Lines(Iterable[Json]):
    """The objects of a file of JSON lines, read anew each time."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __iter__(self) -> Iterator[Json]:
        with self._path.open("rb") as lines:
            yield from map(json.loads, lines)


@dataclass(slots=True, kw_only=True)
class Evidence:
    """``careful``: stations whose gateways keep more than they must. ``deliveries`` is what the program
    believes of them, ``received`` what the receivers have on file; ``journal`` the exported lines,
    ``replayed`` the notices that an empty store found in them."""

    truth: Truth
    slots: list[Json]
    uncertain: set[Place]
    careful: set[Place]
    notices: list[Json]
    deliveries: list[Json]
    refused: list[Json]
    received: list[Json]
    journal: Iterable[Json]
    replayed: list[Json]
    leaks: list[str] = field(default_factory=list)
    unsettled: list[str] = field(default_factory=list)


def settle(stage: Stage, say: Callable[[str], None]) -> list[str]:
    """No more faults: the shift ends, errands are seen to, everything is counted and told. What didn't come
    to its end within the plan's time."""
    for wire in stage.wires.values():
        wire.heal()
    stage.receivers.calm_down()
    stage.people.end()
    within = stage.plan.settle_within
    unsettled: list[str] = []

    def await_(what: str, condition: Callable[[], object], seconds: float = within) -> None:
        try:
            eventually(condition, timeout=seconds, ignoring=(httpx.HTTPError, httpx.HTTPStatusError))
            say(f"settled: {what}")
        except AssertionError as error:
            unsettled.append(f"{what}: {error}"[:300])

    await_("every errand of the people is heard", stage.people.done)
    stage.floor.end()
    truth = read_truth(stage.ledger.path)
    await_(
        "every count is in", lambda: _counted(stage) == {place: truth.last(place) for place in truth.usage}
    )
    try:
        careful = {place for place, station in stage.floor.stations.items() if station.keeps}
        eventually(lambda: not _uncertain(stage) & careful, timeout=HEALS_WITHIN, ignoring=(httpx.HTTPError,))
    except AssertionError as error:
        unsettled.append(f"holes that a gateway can fill: {error}"[:300])
    await_("every delivery is out", lambda: not _waiting(stage))
    return unsettled


def gather(stage: Stage, unsettled: list[str]) -> Evidence:
    journal = _exported(stage)
    return Evidence(
        truth=read_truth(stage.ledger.path),
        slots=_slots(stage),
        uncertain=_uncertain(stage),
        careful={place for place, station in stage.floor.stations.items() if station.keeps},
        notices=_pages(stage, "/notices", state=["open", "taken", "quiet", "closed"]),
        deliveries=_pages(stage, "/deliveries"),
        refused=_pages(stage, "/refused"),
        received=_lines(stage.folder / "deliveries"),
        journal=Lines(journal),
        replayed=_replayed(stage.folder / "replayed.db", journal),
        leaks=[SECRET] if SECRET.removeprefix("whsec_") in stage.program.log() else [],
        unsettled=unsettled,
    )


def _exported(stage: Stage) -> Path:
    """The whole journal in a file: an hour of it is more than one wants to hold in memory."""
    path = stage.folder / "journal"
    where = f"{stage.url}/api/v1/events"
    with httpx.stream("GET", where, timeout=120, trust_env=False) as answer, path.open("wb") as file:
        answer.raise_for_status()
        for piece in answer.iter_bytes():
            file.write(piece)
    return path


def _replayed(path: Path, journal: Path) -> list[Json]:
    store = open_store(f"sqlite:///{path}", migrate=True)
    try:
        with journal.open("rb") as lines:
            replay(lines, store.ledger)
        found: list[Json] = []
        while True:
            page = store.archive.notices(
                states=["open", "taken", "quiet", "closed"],
                limit=PAGE,
                after=found[-1]["id"] if found else None,
            )
            found += [
                {"id": each.id, "version": each.version, "level": each.level, "state": str(each.state)}
                | {"closed_because": each.closed_because, "loading": each.loading}
                for each in page
            ]
            if len(page) < PAGE:
                return found
    finally:
        store.close()


def _counted(stage: Stage) -> dict[Place, tuple[str, int]]:
    return {
        (each["line"], each["station"]): (each["counted"]["session"], each["counted"]["seq"])
        for each in _slots(stage)
        if each["counted"] is not None
    }


def _slots(stage: Stage) -> list[Json]:
    lines = sorted({line for line, _ in stage.floor.stations})
    return [slot for line in lines for slot in stage.get(f"/lines/{line}/slots")]


def _uncertain(stage: Stage) -> set[Place]:
    return {
        (line["line"], station["station"])
        for line in stage.get("/lines")
        for station in line["stations"]
        if station["uncertain_since"] is not None
    }


def _waiting(stage: Stage) -> list[Json]:
    return [
        each for state in ("waiting", "sending") for each in stage.get("/deliveries", state=state, limit=PAGE)
    ]


def _pages(stage: Stage, path: str, **query: Any) -> list[Json]:
    rows: list[Json] = stage.get(path, limit=PAGE, **query)
    page = rows
    while len(page) == PAGE:
        page = stage.get(path, limit=PAGE, after=page[-1]["id"], **query)
        rows += page
    return rows


def _lines(path: Path) -> list[Json]:
    return [json.loads(line) for line in path.read_bytes().splitlines()]
