"""One batch of what happened: decode, apply, decide, commit; then tell whoever waits.

``Ingest`` is the world's single owner: only its thread changes anything. What it was given is answered
(acknowledged, or its future resolved) only after the commit. A message that can't be handled is refused
alone, never its batch."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import msgspec

from service import crash
from service.desk import Unfit
from service.domain import floor, gateways, room
from service.domain.events import GatewayReport, JournalEntry, Message
from service.domain.life import Taken
from service.domain.model import Instant, from_datetime
from service.domain.notices import Told
from service.domain.policy import Policy
from service.domain.world import World
from service.ports import Batch, Ledger, Refused, StoreError
from service.usecases.batch import Ask, Committed, Draft, Heard, Inbound, Item, Turn, deliveries
from service.usecases.fold import fold
from service.usecases.gateways import Gateways
from service.usecases.ours import Ours, nothing_else, word_of
from service.usecases.tally import Tallies, of_source, place_in
from service.wire.native import Address, Misfit, read_message, read_topic

_json = msgspec.json.Encoder().encode


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
        sources: Gateways | None = None,
        ours: Ours | None = None,
    ) -> None:
        self.world = world
        self.committed = committed
        self.position = position
        self.last_at = last_at
        self._ledger = ledger
        self._clock = clock
        self._root = root
        self.sources = sources or Gateways()
        self._ours = ours
        world.word.wanted = ours is not None
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
        draft = Draft()
        draft.happened(JournalEntry(at, "settings", "", _json(policy)), told)
        self._commit(draft)

    def now(self) -> Instant:
        """The moment it is for the rules: our clock, or the last that the messages said."""
        return self.last_at if self.by_events else self._clock()

    def take(self, items: Sequence[Item]) -> Committed:
        """Handle a batch and return after its commit.

        After ``StoreError`` call again with the same items: the very same batch is written then, because it
        may be stored already and only the answer was lost. Any other failure leaves the world as it was.
        """
        before, tallies = self.last_at, self._tallies.snapshot()
        try:
            if self._unsure is not None:
                return self._finish(*self._unsure)
            draft = self._draft(items)
            if self._ours is not None and nothing_else(draft.heard, len(items)):
                return Committed(frozenset(), [], {}, draft.heard)
            crash.point("after_events_applied")
            return self._commit(draft)
        except StoreError:
            raise
        except Exception:
            self._undo()
            self.last_at = before
            self._tallies.restore(tallies)
            raise

    def refuse(self, item: Item, error: Exception) -> Committed:
        """Set aside what ``take`` failed on for another reason than the store."""
        if self._unsure is not None:
            return self._finish(*self._unsure)
        return self._commit(self._refusal(item, f"could not be handled: {type(error).__name__}: {error}"))

    def replay(self, entries: Sequence[JournalEntry]) -> Committed:
        """Apply recorded entries at their recorded moments."""
        draft = Draft()
        for entry in entries:
            self.last_at = entry.at
            draft.happened(entry, self._refold(entry))
        return self._commit(draft)

    def _refold(self, entry: JournalEntry) -> list[Told] | None:
        """A person's act finds no notice where another version of the program recorded it."""
        told = fold(self.world, entry)
        self.idle_acts += told is None and entry.kind == "person"
        return told

    def _draft(self, items: Sequence[Item]) -> Draft:
        draft = Draft()
        for item in items:
            if isinstance(item, Inbound):
                self._draft_inbound(draft, item)
            elif isinstance(item, Ask):
                self._draft_ask(draft, item)
            else:
                self._draft_turn(draft, item)
        return draft

    def _draft_inbound(self, draft: Draft, item: Inbound) -> None:
        if not item.payload:
            return
        heard = draft.heard[item.source]
        if self._ours is not None and not item.source and not self._ours.topic(item.topic):
            heard.elsewhere += 1
            return
        heard.messages += 1
        if item.source:
            self._draft_foreign(draft, item, heard)
            return
        try:
            self._draft_said(draft, item, heard, read_topic(item.topic, self._root), item.payload)
        except Misfit as misfit:
            self._set_aside(draft, item, str(misfit))

    def _draft_foreign(self, draft: Draft, item: Inbound, heard: Heard) -> None:
        """A message in another language: what it says in ours, each part of it for itself. What isn't fit to
        be believed sets the message aside, once."""
        misfits: list[str] = []
        try:
            said = self.sources.hear(
                item.source, item.topic, item.payload, self.now(), retained=item.retained
            )
        except Misfit as misfit:
            if self._ours is not None and not self._ours.speaks_for_all:
                return
            said, misfits = (), [str(misfit)]
        if said is None:
            heard.repeats += 1
            return
        for native in said:
            try:
                self._draft_said(draft, item, heard, *native)
            except Misfit as misfit:
                misfits.append(str(misfit))
        if misfits:
            self._set_aside(draft, item, misfits[0])
        elif self._tallies:
            self._tallies.note_fit(of_source(item.source), self.now())

    def _draft_turn(self, draft: Draft, turn: Turn) -> None:
        """What the sources say because time passed, or because one is heard again."""
        now = self.now()
        said = self.sources.connected(turn.connected, now) if turn.connected else self.sources.look(now)
        for source, native in said:
            item = Inbound(native.address.subject.encode(), native.payload, False, (0, 0), source)
            try:
                self._draft_said(draft, item, draft.heard[source], *native)
            except Misfit as misfit:
                self._set_aside(draft, item, str(misfit))

    def _draft_said(
        self, draft: Draft, item: Inbound, heard: Heard, address: Address, payload: bytes
    ) -> None:
        """One message in our own words. Raises ``Misfit``."""
        if self._ours is not None and not self._ours.line(address.line):
            heard.elsewhere += 1
            return
        message = read_message(address, payload)
        if full := room.lacking(self.world, message, address.line, address.station):
            raise Misfit(full)
        if address.kind == "count":
            self._settle_source(draft, address, item)
        at = self._moment(message)
        if self._tallies and not item.source and address.station is not None:
            self._tallies.note_fit((address.line, address.station, ""), at)
        told = self._apply(address, message, at, item.retained)
        if told is None:
            heard.repeats += 1
            return
        kind = address.kind
        heard.said[kind] += 1
        draft.happened(JournalEntry(at, kind, address.subject, payload, item.retained), told, item)

    def _settle_source(self, draft: Draft, address: Address, item: Inbound) -> None:
        """A station is counted by one source at a time. Raises ``Misfit`` for another that counts it."""
        source = item.source
        station = self.world.stations.get((address.line, address.station or ""))
        counted_by = "" if station is None else station.source.name
        if counted_by == source:
            return
        # What isn't configured any more can't say anything.
        if counted_by in self.sources and not gateways.may_count(station, self.now()):
            counting = gateways.called(counted_by)
            raise Misfit(f"{address.subject} is counted by source {counting!r}: two would count twice")
        report = GatewayReport(source=source, state="counts")
        at = self._moment(None)
        place = Address("gateway", address.line, address.station)
        told = self._apply(place, report, at, False)
        draft.happened(JournalEntry(at, place.kind, place.subject, _json(report)), told, item)

    def _draft_ask(self, draft: Draft, item: Ask) -> None:
        at = self._moment(None)
        unfit = room.lacking(self.world, item.message, item.address.line, item.address.station)
        if self._ours is not None:
            unfit = self._ours.why_not(item) or unfit
        if unfit:
            draft.answer(item, Unfit(unfit))
            return
        try:
            told = self._apply(item.address, item.message, at, False)
        except (KeyError, Taken) as error:
            draft.answer(item, error)
            return
        if told is not None:
            if item.request:
                draft.acts.append((len(draft.journal), item))
            draft.happened(JournalEntry(at, item.address.kind, item.address.subject, item.data), told, item)
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
        if self.sources:
            states |= self.sources.take_changes()
        changed = {told.notice.id: told.notice for told, _ in draft.told}
        batch = Batch(
            position=self.position,
            journal=draft.journal,
            states=states,
            notices=list(changed.values()),
            deliveries=deliveries(draft.told, at=self._clock()) if self._tell and draft.told else [],
            refused=draft.refused,
            answers=draft.passed_on,
            remembered=self.world.stays.take(),
            word=None if self._ours is None else word_of(self.world, self._ours.name),
        )
        self._unsure = draft, batch
        return self._finish(draft, batch)

    def _finish(self, draft: Draft, batch: Batch) -> Committed:
        """Write the batch, or find it written; then it is what readers see."""
        self._ledger.commit(batch)
        self._unsure = None
        self._drafted = []
        first = self.position
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
        return Committed(
            frozenset(batch.states),
            [told for told, _ in draft.told],
            kinds,
            draft.heard,
            causes=[draft.entered(*origin, position=first) for origin in draft.origins],
            acts=[draft.entered(*act, position=first) for act in draft.acts],
            refused=draft.refused,
        )

    def _undo(self) -> None:
        keys = {*self.world.touched, *self._drafted}
        self._drafted = []
        self._unsure = None
        self.world.restore(keys, self.committed)
        self.sources.undo(self.committed)

    def _refusal(self, item: Item, reason: str) -> Draft:
        draft = Draft()
        if isinstance(item, Ask):
            draft.answer(item, RuntimeError(reason))
        else:
            turn = Inbound(b"(time)", b"", False, (0, 0))
            self._set_aside(draft, item if isinstance(item, Inbound) else turn, reason)
        return draft

    def _set_aside(self, draft: Draft, item: Inbound, reason: str) -> None:
        """Keep what doesn't fit; when there is too much of it from one place, people are told once."""
        topic, at = item.topic.decode("utf-8", "replace"), self._moment(None)
        refused = Refused(topic=topic, reason=reason, payload=item.payload, at=at, source=item.source)
        draft.refused.append(refused)
        heard = draft.heard[item.source]
        heard.refused, heard.reason = heard.refused + 1, reason
        line, station, _ = place = place_in(self.world, item.topic, self._root, item.source)
        many = self._tallies.note_refused(place, reason, at)
        if many is not None:
            address = Address("refusals", line, station or None)
            told = self._apply(address, many, at, False)
            draft.happened(JournalEntry(at, address.kind, address.subject, _json(many)), told, item)

    def calm(self) -> list[Ask]:
        """What ends because nothing was refused for long: to be taken like anything else."""
        return list(self._tallies.calm(self.world, self.now()))
