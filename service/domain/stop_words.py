"""What is said of a stop: what speaks for its cause, and how sure that is."""

from __future__ import annotations

from service.domain.claims import Piece
from service.domain.said import Said

Root = tuple[str, Piece] | None


def confidence(piece: Piece, root: Root) -> float:
    return 0.5


def evidence(piece: Piece, root: Root) -> tuple[Said, ...]:
    return ()
