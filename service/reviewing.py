"""What it takes to have a time reviewed: asking never waits, making does."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

from service.domain.model import Instant
from service.language import Language

Json = dict[str, Any]


class NotReviewed(Exception):
    """A time can't be reviewed; the text says why."""


class NothingToReview(NotReviewed):
    """Nothing was heard in that time."""


class TooManyReviews(NotReviewed):
    """So many times wait to be reviewed that one more is refused."""


@dataclass(frozen=True, slots=True)
class Progress:
    """It is being made: ``entries`` were read so far; ``waits``: how many others come first."""

    entries: int
    waits: int = 0


class Reviewing(Protocol):
    """Reviews of the journal, made aside from everything else, one at a time."""

    def ask(self, since: Instant, until: Instant, line: str | None = None) -> Progress | Json:
        """The report where it is there, else how far it is; never waits. ``NotReviewed``: it failed;
        asked again it is tried again."""
        ...

    def make(self, since: Instant, until: Instant, line: str | None = None) -> Json:
        """The report. Waits for it; never to be called where nobody may wait. Raises ``NotReviewed``."""
        ...

    def paper(self, since: Instant, until: Instant, line: str | None, language: Language) -> bytes:
        """The same as PDF; it waits too."""
        ...
