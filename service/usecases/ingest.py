"""One batch of what happened: decode, apply, decide, commit; then tell whoever waits.

``Ingest`` is the world's single owner: only its thread changes anything. What it was given is answered
(acknowledged, or its future resolved) only after the commit. A message that can't be handled is refused
alone, never its batch."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field

import msgspec

from service import crash
from service.desk import Unfit
from service.domain import floor, room
from service.domain.events import JournalEntry, Message, Refusals
from service.domain.life import Taken
from service.domain.model import Change, Instant, from_datetime
from service.domain.notices import Told
from service.domain.policy import Policy
from service.domain.world import World
from service.lease import Answered
from service.ports import Batch, Ledger, NewDelivery, Refused, StoreError
from service.usecases.fold import fold
from service.usecases.tally import Tallies, place_in
from service.wire.native import Address, Misfit, read_message, read_topic

_json = msgspec.json.Encoder().encode
DONE, CONFLICT, FAILED = b"done", b"conflict", b"failed"
"""What is stored as the answer to something that was asked elsewhere."""


@dataclass(slots=True)
class Inbound:
    """A message as the broker gave it; ``token`` is what the adapter needs to acknowledge it."""

    topic: bytes
    payload: bytes
    retained: bool
    token: tuple[int, int]


@dataclass(slots=True)
class Ask:
    """Something a person or the clock does: an address and an event, answered with the changed notices. What
    was asked elsewhere has an ``id``, and its answer is stored with what it changes."""

    address: Address
    message: Message
    data: bytes
    answer: Future[list[Told]]
    id: str = ""


@dataclass(slots=True)
class Draft:
    """What a batch will write and whom it will answer; ``repeats`` change nothing and are only counted."""

    repeats: int = 0
    journal: list[JournalEntry] = field(default_factory=list)
    told: list[tuple[Told, Instant]] = field(default_factory=list)
    refused: list[Refused] = field(default_factory=list)
    answers: list[tuple[Future[list[Told]], list[Told] | Exception]] = field(default_factory=list)
    passed_on: list[Answered] = field(default_factory=list)

    def answer(self, ask: Ask, answer: list[Told] | Exception) -> None:
        self.answers.append((ask.answer, answer))
        if ask.id:
            self.passed_on.append(Answered(ask.id, _word(answer)))


@dataclass(frozen=True, slots=True)
class Committed:
    """What a commit changed, for those who show it."""

    keys: frozenset[str]
    told: list[Told]
    counts: Mapping[str, int]
    repeats: int


def _word(answer: list[Told] | Exception) -> bytes:
    if not isinstance(answer, Exception):
        return DONE
    return CONFLICT if isinstance(answer, (KeyError, Taken)) else FAILED


class Ingest:
    """Owns the world. ``committed`` maps state keys to their committed bytes; others may read it.

    ``by_events``: the time is what the messages say. ``tell``: whether changes go out (a replay tells
    nobody)."""

    def __init__(
        self,
        *,
        world: World,
        ledger: Ledger,
        committed: dict[str, bytes],
        position: int,
        last_at: Instant,
        clock: Callable[[], Instant],
        root: str,
        by_events: bool = False,
        tell: bool = True,
    ) -> None:
        self.world = world
        self.committed = committed
        self.position = position
        self.last_at = last_at
        self._ledger = ledger
        self._clock = clock
        self._root = root
        self.by_events = by_events
        self.idle_acts = 0
        self._tallies = Tallies()
        self._tell = tell
        self._drafted: list[str] = []
        self._unsure: tuple[Draft, Batch] | None = None

    def adopt_policy(self, policy: Policy) -> None:
        """Put settings in force and into the journal, so that a replay decides under the same."""
        if policy == self.world.policy:
            return
        at = self._moment(None)
        told = floor.change_policy(self.world, policy, at)
        entry = JournalEntry(at, "settings", "", _json(policy))
        self._commit(Draft(journal=[entry], told=[(each, at) for each in told]))

    def now(self) -> Instant:
        """The moment it is for the rules: our clock, or the last that the messages said."""
        return self.last_at if self.by_events else self._clock()

    def take(self, items: Sequence[Inbound | Ask]) -> Committed:
        """Handle a batch and return after its commit.

        After ``StoreError`` call again with the same items: the very same batch is written then, because it
        may be stored already and only the answer was lost. Any other failure leaves the world as it was.
        """
        before, tallies = self.last_at, self._tallies.snapshot()
        try:
            if self._unsure is not None:
                return self._finish(*self._unsure)
            draft = self._draft(items)
            crash.point("after_events_applied")
            return self._commit(draft)
        except StoreError:
            raise
        except Exception:
            self._undo()
            self.last_at = before
            self._tallies.restore(tallies)
            raise

    def refuse(self, item: Inbound | Ask, error: Exception) -> Committed:
        """Set aside what ``take`` failed on for another reason than the store."""
        if self._unsure is not None:
            return self._finish(*self._unsure)
        return self._commit(self._refusal(item, f"could not be handled: {type(error).__name__}: {error}"))

    def replay(self, entries: Sequence[JournalEntry]) -> Committed:
        """Apply recorded entries at their recorded moments."""
        draft = Draft()
        for entry in entries:
            self.last_at = entry.at
            told = self._refold(entry)
            draft.journal.append(entry)
            draft.told += [(each, entry.at) for each in told or []]
        return self._commit(draft)

    def _refold(self, entry: JournalEntry) -> list[Told] | None:
        """A person's act finds no notice where another version of the program recorded it."""
        told = fold(self.world, entry)
        self.idle_acts += told is None and entry.kind == "person"
        return told

    def _draft(self, items: Sequence[Inbound | Ask]) -> Draft:
        draft = Draft()
        for item in items:
            if isinstance(item, Inbound):
                self._draft_inbound(draft, item)
            else:
                self._draft_ask(draft, item)
        return draft

    def _draft_inbound(self, draft: Draft, item: Inbound) -> None:
        if not item.payload:
            return
        try:
            address = read_topic(item.topic, self._root)
            message = read_message(address, item.payload)
        except Misfit as misfit:
            self._set_aside(draft, item, str(misfit))
            return
        if full := room.lacking(self.world, message, address.line, address.station):
            self._set_aside(draft, item, full)
            return
        at = self._moment(message)
        if self._tallies and address.station is not None:
            self._tallies.note_fit((address.line, address.station), at)
        told = self._apply(address, message, at, item.retained)
        if told is None:
            draft.repeats += 1
            return
        draft.journal.append(JournalEntry(at, address.kind, address.subject, item.payload, item.retained))
        draft.told += [(each, at) for each in told]

    def _draft_ask(self, draft: Draft, item: Ask) -> None:
        at = self._moment(None)
        if full := room.lacking(self.world, item.message, item.address.line, item.address.station):
            draft.answer(item, Unfit(full))
            return
        try:
            told = self._apply(item.address, item.message, at, False)
        except (KeyError, Taken) as error:
            draft.answer(item, error)
            return
        if told:
            draft.told += [(each, at) for each in told]
        if told is not None:
            draft.journal.append(JournalEntry(at, item.address.kind, item.address.subject, item.data))
        draft.answer(item, told or [])
        crash.point("act_before_commit")

    def _apply(self, address: Address, message: Message, at: Instant, retained: bool) -> list[Told] | None:
        return floor.apply(
            self.world, message, line=address.line, station=address.station, at=at, retained=retained
        )

    def _moment(self, message: Message | None) -> Instant:
        """Each event's moment is later than the one before: by our clock, or by what the messages say."""
        if not self.by_events:
            now = self._clock()
        else:
            said = getattr(message, "at", None)
            now = from_datetime(said) if said is not None else self.last_at
        self.last_at = max(self.last_at + 1, now)
        return self.last_at

    def _commit(self, draft: Draft) -> Committed:
        states = self.world.take_changes() if draft.journal else {}
        self._drafted = list(states)
        changed = {told.notice.id: told.notice for told, _ in draft.told}
        batch = Batch(
            position=self.position,
            journal=draft.journal,
            states=states,
            notices=list(changed.values()),
            deliveries=self._deliveries(draft.told) if self._tell and draft.told else [],
            refused=draft.refused,
            answers=draft.passed_on,
            remembered=self.world.stays.take(),
        )
        self._unsure = draft, batch
        return self._finish(draft, batch)

    def _finish(self, draft: Draft, batch: Batch) -> Committed:
        """Write the batch, or find it written; then it is what readers see."""
        self._ledger.commit(batch)
        self._unsure = None
        self._drafted = []
        self.position += len(draft.journal)
        for key, data in batch.states.items():
            if data is None:
                self.committed.pop(key, None)
            else:
                self.committed[key] = data
        if draft.answers:
            crash.point("act_after_commit")
        for future, answer in draft.answers:
            if isinstance(answer, Exception):
                future.set_exception(answer)
            else:
                future.set_result(answer)
        kinds: dict[str, int] = {"refused": len(draft.refused)}
        for entry in draft.journal:
            kinds[entry.kind] = kinds.get(entry.kind, 0) + 1
        return Committed(frozenset(batch.states), [told for told, _ in draft.told], kinds, draft.repeats)

    def _undo(self) -> None:
        keys = {*self.world.touched, *self._drafted}
        self._drafted = []
        self._unsure = None
        self.world.restore(keys, self.committed)

    def _refusal(self, item: Inbound | Ask, reason: str) -> Draft:
        draft = Draft()
        if isinstance(item, Ask):
            draft.answer(item, RuntimeError(reason))
        else:
            self._set_aside(draft, item, reason)
        return draft

    def _set_aside(self, draft: Draft, item: Inbound, reason: str) -> None:
        """Keep what doesn't fit; when there is too much of it from one place, people are told once."""
        topic = item.topic.decode("utf-8", "replace")
        at = self._moment(None)
        draft.refused.append(Refused(topic=topic, reason=reason, payload=item.payload, at=at))
        line, station = place = place_in(self.world, item.topic, self._root)
        many = self._tallies.note_refused(place, reason, at)
        if many is not None:
            address = Address("refusals", line, station or None)
            told = self._apply(address, many, at, False)
            draft.journal.append(JournalEntry(at, address.kind, address.subject, _json(many)))
            draft.told += [(each, at) for each in told or []]

    def calm(self) -> list[Inbound | Ask]:
        """What ends because nothing was refused for long: to be taken like anything else."""
        over = Refusals(over=True)
        return [
            Ask(Address("refusals", line, station or None), over, _json(over), Future())
            for line, station in self._tallies.over(self.world, self.now())
        ]

    def _deliveries(self, told: Sequence[tuple[Told, Instant]]) -> list[NewDelivery]:
        """Due at once by the wall clock, which needn't be the one that the messages go by."""
        now = self._clock()
        return [
            NewDelivery(
                key=f"{each.notice.id}-{_saying(each)}-{outlet}",
                outlet=outlet,
                conversation=f"{each.notice.id}/{outlet}",
                change=each.change,
                notice=each.notice,
                at=now,
            )
            for each, _ in told
            for outlet in each.outlets or ()
        ]


def _saying(told: Told) -> str:
    """Which of all that is ever said of its notice this is."""
    notice = told.notice
    said = f"v{notice.version}"
    return f"{said}-r{notice.reminded}-e{notice.escalated}" if told.change is Change.REMINDED else said
