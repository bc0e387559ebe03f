"""What the web side asks of the inside: what there is to show, and what people do; contracts in prose."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from service.domain.model import Instant, Notice


class Unfit(Exception):
    """What was asked doesn't fit; the text says what and where, for a person to read."""


class Busy(Exception):
    """The answer took over 5 s (the store may be down). It may still happen; the same call with the same
    ``Idempotency-Key`` is safe."""


class Unattended(Busy):
    """No instance is in charge of the line's shard: nothing was changed."""


class Conflict(Exception):
    """Someone was first, or the notice is closed: carries the notice as it is."""

    def __init__(self, notice: Notice) -> None:
        super().__init__(f"notice {notice.id} is {notice.state}")
        self.notice = notice


class Declined(Exception):
    """Refused as things stand; the text says why, ``said`` is it for other languages. ``verdict``: of a
    supply that doesn't belong there."""

    def __init__(self, text: str, said: object, *, verdict: str | None = None) -> None:
        super().__init__(text)
        self.said = said
        self.verdict = verdict


class OnlyShown(Exception):
    """What is shown is a recording: nothing can be done to it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Read:
    """What a label, or somebody, says of a supply that is to be loaded."""

    part: str | None = None
    quantity: int | None = None
    lot: str | None = None
    supply: str | None = None
    moisture_level: str | None = None


class Reading(Protocol):
    """What the pages and the API show: committed state only, from any thread. May raise ``StoreError``.

    Returned dicts are the JSON of the contract, numbers unrounded, times RFC 3339 text, unknown ``None``.
    """

    def lines(self) -> list[dict[str, object]]:
        """``{"line", "order": {"order", "recipe", "panels", "state"} | None, "stations": [{"station",
        "tower": {"lamps", "buzzer", "slots", "reading", "since"} | None, "link": {"state", "since"} |
        None, "panels", "session", "seq", "takt_seconds", "uncertain_since", "clock_flagged", "as_of"}]}``
        sorted."""

    def slots(self, line: str) -> list[dict[str, object]] | None:
        """The line's slot objects, soonest p50 first (unknown last, then idle); ``None``: no such line."""

    def explained(self, line: str, station: str, slot: str) -> dict[str, object] | None:
        """The slot object with ``why``: the sentences and figures behind its number; ``None``: no such
        slot."""

    def notices(
        self,
        *,
        states: Sequence[str] | None,
        limit: int,
        after: str | None,
        place: Mapping[str, str] | None = None,
    ) -> list[dict[str, object]]:
        """Newest first; open ones carry today's numbers. ``place`` (``line``, ``station``, ``slot``) keeps
        those of a place."""

    def notice(self, notice_id: str) -> dict[str, object] | None:
        """One notice, whatever its state; ``None`` when there is none of this id."""

    def handover(self, *, line: str | None, hours: float) -> dict[str, object] | None:
        """What one shift tells the next, with what falls due within ``hours`` (``usecases.handover`` names
        the keys); ``None``: no such line."""

    def recent(self, line: str | None) -> tuple[Instant, list[tuple[Instant, Instant]]]:
        """The moment, and the shifts of a line or of all that ran lately, as ``domain.recent`` has it."""

    def refused(self, *, limit: int, after: int | None) -> list[dict[str, object]]: ...

    def record(self) -> dict[str, object]:
        """What became of the warnings: ``{"all", "kinds", "last", "last_late"}``."""

    def supplies(self, name: str | None = None) -> list[dict[str, object]]:
        """The supplies that have a name (or the one of this name), soonest over first: ``{"supply", "kind",
        "part", "lot", "where", "left", "floor_life"}``."""

    def learned(self, *, limit: int) -> list[dict[str, object]]:
        """What finished supplies taught, ``{"kind", "part", "finished", "loss_rate", "bases"}``: the kinds,
        then the parts of which most were finished."""

    def plan(self, line: str, *, panels: int) -> dict[str, object] | None:
        """``{"line", "as_of", "stops": [{"panels", "at", "exchanges"}], "meanwhile"}`` for so many panels
        ahead; ``None``: no such line."""

    def fetch(self, line: str, *, until: Instant | None, hours: float | None) -> dict[str, object] | None:
        """What to fetch for a line until then, or for so many hours; without either until the end of its
        shift, or for eight hours (``usecases.fetch`` names the keys). ``None``: no such line."""

    def who(self, notice: Notice, *, at: Instant) -> dict[str, object]:
        """Who would hear of it then, at once and later: ``{"at", "rounds", "routes", "off",
        "remind_minutes", "remind_panels"}``."""

    def who_in_a_week(self, notice: Notice, *, at: Instant) -> list[dict[str, object]]:
        """``{"since", "until", "people", "outlets"}`` for each change over the seven days from then."""

    def events(
        self, *, since: Instant | None, until: Instant | None, sealed: bool = False
    ) -> Iterator[bytes]:
        """The journal as CloudEvents JSON, one object a line, the state it starts from first; ``sealed``: a
        manifest last."""

    def not_ready(self) -> list[str]:
        """Why this instance isn't ready, in words; empty when it is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lookup:
    """What is asked of the memory of lots; all that is said must fit. ``word``: a lot, a part or a supply;
    ``panel`` of the ``order``; ``since`` and ``until``: it was in the slot at some time between."""

    lot: str | None = None
    part: str | None = None
    supply: str | None = None
    word: str | None = None
    line: str | None = None
    station: str | None = None
    slot: str | None = None
    order: str | None = None
    panel: int | None = None
    since: Instant | None = None
    until: Instant | None = None
    limit: int = 100
    after: str | None = None


class LotReading(Protocol):
    """Which lot fed which panels: committed state only, from any thread. May raise ``StoreError``."""

    def stays(self, asked: Lookup) -> list[dict[str, object]]:
        """One supply's time in one slot each, newest first, with its ``panels`` by order
        (``usecases.lots.stay_object`` names the keys)."""

    def all_stays(self, asked: Lookup) -> Iterator[dict[str, object]]:
        """The same without a limit, read in pieces."""

    def panels(self, asked: Lookup) -> dict[str, object]:
        """Which panels got it: ``{"orders": [{"line", "order", "recipe", "station", "start_seen", "slots",
        "sure", "possible"}], "stays", "more"}``."""


class Desk(Protocol):
    """What people do. Each call returns after the commit, or raises ``Busy`` after 5 s."""

    def supply(
        self, line: str, station: str, slot: str, body: bytes, *, key: str | None
    ) -> dict[str, object]:
        """Apply a supply message (JSON object without ``slot``); the slot's new forecast. ``Unfit``."""

    def readied(self, line: str, *, part: str, kind: str | None, supplies: int, by: str) -> dict[str, object]:
        """So many supplies of a part stand ready at a line, an absolute number; what does then, and since
        whose word. ``Unfit``; ``KeyError``: no such line."""

    def care(self, supply: str, body: bytes) -> dict[str, object]:
        """Note what was done to a supply (JSON object of ``change``, ``by``, …); the supply. ``Unfit``."""

    def take(self, notice_id: str, *, by: str) -> dict[str, object]:
        """The notice. ``Conflict`` when another took it or it is closed; ``KeyError`` when unknown."""

    def release(self, notice_id: str, *, by: str) -> dict[str, object]:
        """Nobody has it any more, and it calls again."""

    def quiet(
        self, notice_id: str, *, by: str, panels: int | None, until: Instant | None
    ) -> dict[str, object]: ...

    def close(self, notice_id: str, *, by: str, reason: str) -> dict[str, object]: ...


class Playing(Protocol):
    """A recording that is played; from any thread."""

    def playing(self) -> dict[str, object]:
        """``{"at", "from", "to", "speed", "paused", "share", "ends_in_seconds", "entries", "state"}``:
        moments of the recording, ``speed`` ``None`` as fast as it goes, ``ends_in_seconds`` ``None`` where
        nobody knows; ``state`` ``playing``, ``paused`` or ``ended``."""

    def steer(
        self, *, speed: float | None = None, paused: bool | None = None, to: Instant | None = None
    ) -> dict[str, object]:
        """The same afterwards. ``speed`` may be infinite; ``to``: leap to a later moment. ``Unfit``: it is
        none."""


class Exchanging(Protocol):
    """The guided exchange. ``usecases.guided`` names the keys of what is shown."""

    def exchange(self, line: str, station: str, slot: str) -> dict[str, object] | None:
        """What the slot wants, cautions and steps, the boundary, what can be undone; ``None``: unknown."""

    def parts(self, line: str, station: str, slot: str) -> list[str]:
        """The parts that a label shown there may mean."""

    def check(self, line: str, station: str, slot: str, read: Read, *, by: str) -> dict[str, object] | None:
        """The verdict on a supply; a part that the slot doesn't want is refused, and people are told."""

    def require_fit(
        self, line: str, station: str, slot: str, read: Read, *, by: str | None, reason: str | None
    ) -> None:
        """``Declined`` where it is wrong or expired and nobody takes it on with a reason; ``Unfit``: a reason
        without a name."""

    def require_undoable(
        self, line: str, station: str, slot: str, event: str, *, said_as: str | None = None
    ) -> None:
        """``Declined`` where the exchange can't be undone, and wasn't by the request ``said_as`` before."""

    def require_undone(self, line: str, station: str, slot: str, event: str) -> None:
        """``Declined`` where it wasn't after all."""
