"""What a check-up says: findings, each with what to do where there is something to be done."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum


class State(StrEnum):
    """``LOOK``: it works, but a person should know; ``WRONG``: something doesn't work, or won't for long."""

    GOOD = "good"
    LOOK = "look"
    WRONG = "wrong"


_RANK = {state: rank for rank, state in enumerate(State)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """``area`` says what it is about, ``found`` what was seen, ``to_do`` what mends it. None of them ever
    holds a secret or the address of an outlet."""

    area: str
    state: State
    found: str
    to_do: str | None = None


def good(area: str, found: str) -> Finding:
    return Finding(area=area, state=State.GOOD, found=found)


def look(area: str, found: str, to_do: str | None = None) -> Finding:
    return Finding(area=area, state=State.LOOK, found=found, to_do=to_do)


def wrong(area: str, found: str, to_do: str) -> Finding:
    return Finding(area=area, state=State.WRONG, found=found, to_do=to_do)


def worst(findings: Iterable[Finding]) -> State:
    """The state of all together; of none: good."""
    return max((each.state for each in findings), key=_RANK.__getitem__, default=State.GOOD)
