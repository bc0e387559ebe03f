"""The life of a notice as one table: what may happen to it in each state, and what it is then.

A deed that doesn't change it is nothing to tell; one that comes too late, because somebody else was first or
the notice is closed, is answered with the notice as it is. Nothing else in the program decides on a state.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from enum import Enum, StrEnum

from service.domain.model import NoticeState

OPEN, TAKEN, QUIET, CLOSED = NoticeState.OPEN, NoticeState.TAKEN, NoticeState.QUIET, NoticeState.CLOSED


class Deed(StrEnum):
    """What happens to a notice; the words of the diagram."""

    DUE = "due"
    WORSE = "worse"
    TAKE = "taken by somebody"
    RELEASE = "given back"
    QUIET = "told to be quiet"
    SPEAK = "quiet spell over"
    END = "over by itself"
    CLOSE = "closed by a person"


class Rule(Enum):
    """Where the next state is no constant."""

    AWAKE = "taken if somebody has it, else open"
    OWN = "nothing new for who has it, too late for anybody else"
    FREE = "taken, but too late where somebody else has it"
    SAME = "nothing new"
    LATE = "too late"


class Taken(Exception):
    """Someone was first, or the notice is closed."""


LIFE: Mapping[Deed, Mapping[NoticeState | None, NoticeState | Rule]] = {
    Deed.DUE: {None: OPEN, OPEN: Rule.SAME, TAKEN: Rule.SAME, QUIET: Rule.SAME, CLOSED: OPEN},
    Deed.WORSE: {OPEN: OPEN, TAKEN: TAKEN, QUIET: Rule.AWAKE, CLOSED: OPEN},
    Deed.TAKE: {OPEN: TAKEN, TAKEN: Rule.OWN, QUIET: Rule.FREE, CLOSED: Rule.LATE},
    Deed.RELEASE: {OPEN: Rule.SAME, TAKEN: OPEN, QUIET: OPEN, CLOSED: Rule.LATE},
    Deed.QUIET: {OPEN: QUIET, TAKEN: QUIET, QUIET: QUIET, CLOSED: Rule.LATE},
    Deed.SPEAK: {OPEN: Rule.SAME, TAKEN: Rule.SAME, QUIET: Rule.AWAKE, CLOSED: Rule.SAME},
    Deed.END: {OPEN: CLOSED, TAKEN: CLOSED, QUIET: CLOSED, CLOSED: Rule.SAME},
    Deed.CLOSE: {OPEN: CLOSED, TAKEN: CLOSED, QUIET: CLOSED, CLOSED: Rule.LATE},
}
"""By deed and state (``None``: there is no notice yet). After a person closed it, it is due again only when
it got worse; whoever judges sees to that."""


def after(
    deed: Deed, state: NoticeState | None, *, taken_by: str | None = None, by: str | None = None
) -> NoticeState | None:
    """The state after the deed; ``None``: nothing changes. ``taken_by`` has it, ``by`` does this. Raises
    ``Taken`` when it is too late for that."""
    match LIFE[deed][state]:
        case NoticeState() as then:
            return then
        case Rule.AWAKE:
            return TAKEN if taken_by else OPEN
        case Rule.SAME:
            return None
        case Rule.OWN if taken_by == by:
            return None
        case Rule.FREE if taken_by in (None, by):
            return TAKEN
        case _:
            raise Taken


def drawn() -> str:
    """The table as a Mermaid state diagram."""
    return "\n".join(["stateDiagram-v2", *(f"    {one} --> {then}: {deed}" for one, then, deed in _arrows())])


def _arrows() -> Iterator[tuple[str, str, str]]:
    for deed, row in LIFE.items():
        for state, then in row.items():
            ends = [then] if isinstance(then, NoticeState) else _ENDS.get(then, [])
            for end in ends:
                yield state or "[*]", end, deed


_ENDS = {Rule.AWAKE: [OPEN, TAKEN], Rule.FREE: [TAKEN]}
