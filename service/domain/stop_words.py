"""What is said of a stop: what speaks for its cause, strongest first, and how sure that is.

Each kind of evidence has a weight, the chance that it alone is right; those that agree multiply their doubt.
The weights were tried on simulated shifts (``make causes``), where so sure a cause was right so often.
"""

from __future__ import annotations

from collections.abc import Callable
from math import prod

from service.domain.claims import Piece
from service.domain.model import to_rfc3339
from service.domain.said import Said, Value
from service.domain.track import Cause

Root = tuple[str, Piece] | None
_MOST = 0.99
_WEIGHTS = {
    "tower": 0.95,
    "calendar": 0.95,
    "order": 0.95,
    "room": 0.85,
    "nothing": 0.85,
    "offline": 0.8,
    "loaded": 0.7,
    "unheard": 0.7,
    "because of": 0.6,
    "not low": 0.6,
    "waits": 0.8,
    "within a panel": 0.5,
    "by itself": 0.5,
    "waits not": 0.4,
}


def confidence(piece: Piece, root: Root) -> float:
    """From 0 to 1; 0 where no cause was found."""
    if piece.cause is Cause.UNKNOWN:
        return 0.0
    doubt = prod(1.0 - _WEIGHTS[mark] for mark in _marks(piece, root))
    return round(min(_MOST, 1.0 - doubt), 2)


def evidence(piece: Piece, root: Root) -> tuple[Said, ...]:
    marks = sorted(_marks(piece, root), key=lambda mark: -_WEIGHTS[mark])
    said = [sentence for mark in marks for sentence in [_SAID[mark](piece, root)] if sentence is not None]
    return (*said, *_books(piece))


def _marks(piece: Piece, root: Root) -> tuple[str, ...]:
    return (*piece.marks, "because of") if root is not None else piece.marks


def _books(piece: Piece) -> list[Said]:
    """What the books had left of the supply that was exchanged."""
    supplied = piece.supplied
    if supplied is None or supplied.left is None or supplied.left < 0:
        return []
    values: dict[str, Value] = {"number": supplied.left}
    return [
        Said("By the books {number} part was left.", values, many="By the books {number} parts were left.")
    ]


def _tower(piece: Piece, root: Root) -> Said:
    if piece.cause is Cause.FAULT:
        return Said("Its tower showed a fault.")
    if piece.slot is not None:
        return Said("Its tower showed that {slot} was out.", {"slot": piece.slot})
    return Said("Its tower showed that a supply was out.")


def _loaded(piece: Piece, root: Root) -> Said | None:
    supplied = piece.supplied
    if supplied is None:
        return None
    at = to_rfc3339(supplied.at)
    if supplied.part is None:
        return Said(
            "A supply was loaded into {slot} at {loaded_at}.", {"slot": supplied.slot, "loaded_at": at}
        )
    values: dict[str, Value] = {"part": supplied.part, "slot": supplied.slot, "loaded_at": at}
    return Said("{part} was loaded into {slot} at {loaded_at}.", values)


def _room(piece: Piece, root: Root) -> Said:
    return Said("There was no room for its panel before {station}.", {"station": piece.neighbour or ""})


def _nothing(piece: Piece, root: Root) -> Said:
    return Said("No panel had come from {station}.", {"station": piece.neighbour or ""})


def _because_of(piece: Piece, root: Root) -> Said | None:
    if root is None:
        return None
    station, other = root
    why = _WHY.get(other.cause)
    return None if why is None else Said("{station} stood: {why}.", {"station": station, "why": why})


def _by_itself(piece: Piece, root: Root) -> Said:
    if piece.cause is Cause.FAULT:
        return Said("There were panels to take and there was room for them.")
    if piece.neighbour is None:
        return Said("What comes before it isn't heard, and nothing else says why it stood.")
    return Said("How many panels were between it and {station} isn't known.", {"station": piece.neighbour})


def _always(said: Said) -> Callable[[Piece, Root], Said | None]:
    return lambda piece, root: said


def _not_low(piece: Piece, root: Root) -> Said:
    return Said("Its tower no longer called {slot} low afterwards.", {"slot": piece.slot or ""})


_WHY = {
    Cause.SUPPLY: Said("a supply was out"),
    Cause.FAULT: Said("a fault"),
    Cause.EXCHANGE: Said("a supply was exchanged"),
    Cause.CHANGEOVER: Said("changeover"),
    Cause.NO_ORDER: Said("no order"),
    Cause.REST: Said("planned rest"),
    Cause.UNHEARD: Said("nothing was heard of it"),
    Cause.UNKNOWN: Said("nobody knows why"),
}
_SAID: dict[str, Callable[[Piece, Root], Said | None]] = {
    "tower": _tower,
    "calendar": _always(Said("By the calendar it was a break, or nobody was at work.")),
    "order": _always(Said("One order was done and the next had not begun.")),
    "room": _room,
    "nothing": _nothing,
    "offline": _always(Said("Its link was down.")),
    "loaded": _loaded,
    "unheard": _always(Said("Nothing was heard of it.")),
    "because of": _because_of,
    "not low": _not_low,
    "waits": _always(Said("Its tower showed that it waited.")),
    "within a panel": _always(Said("It stopped within a panel.")),
    "by itself": _by_itself,
    "waits not": _always(Said("Its tower did not show that it waited.")),
}
