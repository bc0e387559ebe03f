"""The id by which one request is followed: from the call of a person or program to what it did.

Whoever takes a request in sets it; what is asked of the owner while it is set carries it along."""

from __future__ import annotations

from contextvars import ContextVar
from dataclasses import dataclass

REQUEST: ContextVar[str] = ContextVar("request", default="")
"""``""``: nobody outside asked for what is done here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Served:
    """A request as it ended. ``answer``: the status, ``None`` where the client went first; ``seconds`` until
    it began; ``changes``: it may have changed something. ``who`` is known (``kind``: account, token, link) or
    ``None``, ``by`` in whose name where that is another; neither is a secret, nor is the ``path``: the query
    is left out."""

    request: str
    method: str
    path: str
    answer: int | None
    seconds: float
    changes: bool
    who: str | None = None
    kind: str | None = None
    by: str | None = None
    address: str = ""
