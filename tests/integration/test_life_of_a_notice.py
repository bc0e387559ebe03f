"""A notice's life against its table, on the real store: people, panels, timers, crashes, stepping clocks."""

from __future__ import annotations

import json
import shutil
import tempfile
from concurrent.futures import Future
from pathlib import Path

import msgspec
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from service.domain import floor
from service.domain.events import PersonAct, TimePassed
from service.domain.life import Deed, Taken, after
from service.domain.model import SECOND, Level, Notice, NoticeState
from service.domain.policy import Person, Policy, Route
from service.domain.world import World
from service.store import open_store
from service.usecases.batch import Ask, Inbound
from service.usecases.ingest import Ingest
from service.wire.native import Address
from tests.support.story import START

PEOPLE = st.sampled_from(["Ines", "Bert"])
POLICY = Policy(
    outlets=["ines-chat", "bert-chat", "planner"],
    programs=("planner",),
    people=(Person(name="Ines", outlets=["ines-chat"]), Person(name="Bert", outlets=["bert-chat"])),
    routes=[
        Route(outlets=["planner"]),
        Route(
            people=["Ines"], escalate_to=["Bert"], escalate_minutes=3.0, remind_minutes=5.0, remind_panels=4
        ),
    ],
)


class Life(RuleBasedStateMachine):
    """One slot that needs a part a panel. ``seen`` is its notice as the last event left it."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp())
        self.now = START
        self.placed = self.loads = 0
        self.seen: Notice | None = None
        self.wake()

    def teardown(self) -> None:
        self.a_replay_comes_to_the_same()
        self.store.close()
        shutil.rmtree(self.folder)

    def wake(self) -> None:
        """A start: all that is known is what the store holds."""
        self.store = open_store(f"sqlite:///{self.folder}/store.db", migrate=True)
        snapshot = self.store.ledger.load()
        self.ingest = self.ingesting(dict(snapshot.states), snapshot.position, snapshot.at)

    def ingesting(self, committed: dict[str, bytes], position: int, at: int) -> Ingest:
        return Ingest(
            world=World.from_states(committed),
            ledger=self.store.ledger,
            committed=committed,
            position=position,
            last_at=at,
            clock=lambda: self.now,
            root="floor",
        )

    # What happens

    @initialize()
    def begin(self) -> None:
        self.ingest.adopt_policy(POLICY)
        self.say("recipe", {"recipe": "A", "usage": {"T2": 1}})
        self.say("count", self.counted(0))
        self.load(9)

    def say(self, kind: str, body: dict[str, object]) -> None:
        self.now += SECOND
        topic, payload = f"floor/L3/P1/{kind}".encode(), json.dumps(body).encode()
        self.ingest.take([Inbound(topic, payload, False, (1, 1))])

    def counted(self, panels: int) -> dict[str, object]:
        self.placed += panels
        return {"session": "s", "panels": self.placed, "slots": {"T2": {"placed": self.placed, "lost": 0}}}

    def load(self, parts: int) -> None:
        self.loads += 1
        body = {"id": f"l{self.loads}", "slot": "T2", "change": "loaded", "kind": "tray", "quantity": parts}
        self.say("supply", body)
        self.seen = self.notice()

    @rule()
    def a_panel_passes(self) -> None:
        self.say("count", self.counted(1))
        self.follows_by_itself()

    @rule()
    def the_tower_says_out(self) -> None:
        self.say("tower", {"lamps": {"yellow": "flashing"}, "buzzer": "on", "slots": ["T2"]})
        self.follows_by_itself()

    @rule(parts=st.sampled_from([3, 9, 60]))
    def somebody_counts(self, parts: int) -> None:
        self.say("supply", {"slot": "T2", "change": "counted", "quantity": parts})
        self.follows_by_itself()

    @rule(parts=st.sampled_from([4, 9, 60]))
    def it_is_refilled(self, parts: int) -> None:
        before = self.seen
        self.load(parts)
        if before is not None and before.state != NoticeState.CLOSED:
            ended = self.store.archive.notice(before.id)
            assert ended is not None
            assert ended.state == after(Deed.END, NoticeState(before.state))

    @rule(minutes=st.sampled_from([0.5, 3, 4, 11]))
    def time_passes(self, minutes: float) -> None:
        self.now += round(minutes * 60 * SECOND)
        event = TimePassed()
        self.ask(Address("time", "", None), event, msgspec.json.encode(event))
        self.follows_by_itself()

    @rule(seconds=st.sampled_from([-7200, -40, 90, 86_400]))
    def the_clock_steps(self, seconds: int) -> None:
        self.now += seconds * SECOND

    @rule(by=PEOPLE)
    def take(self, by: str) -> None:
        self.does(Deed.TAKE, PersonAct(notice=self.name(), action="take", by=by))

    @rule(by=PEOPLE)
    def give_back(self, by: str) -> None:
        self.does(Deed.RELEASE, PersonAct(notice=self.name(), action="release", by=by))

    @rule(by=PEOPLE, panels=st.sampled_from([1, 3, None]))
    def quiet(self, by: str, panels: int | None) -> None:
        until = None if panels else self.now + 4 * 60 * SECOND
        act = PersonAct(notice=self.name(), action="quiet", by=by, panels=panels, until=until)
        self.does(Deed.QUIET, act)

    @rule(by=PEOPLE)
    def close(self, by: str) -> None:
        self.does(Deed.CLOSE, PersonAct(notice=self.name(), action="close", by=by, reason="seen to"))

    @rule()
    def crash_and_start(self) -> None:
        self.store.close()
        self.wake()

    def ask(self, address: Address, event: PersonAct | TimePassed, data: bytes) -> BaseException | None:
        answer: Future = Future()
        self.ingest.take([Ask(address, event, data, answer)])
        return answer.exception(0)

    # What must follow

    def name(self) -> str:
        return "none" if self.seen is None else self.seen.id

    def notice(self) -> Notice | None:
        return self.ingest.world.stations["L3", "P1"].slots["T2"].notice

    def does(self, deed: Deed, act: PersonAct) -> None:
        """What a person did, against the table; what is too late changes nothing at all."""
        before = self.seen
        refused = self.ask(Address("person", "L3", "P1", "T2"), act, msgspec.json.encode(act))
        self.seen = now = self.notice()
        if before is None:
            assert isinstance(refused, KeyError)
            return
        try:
            then = after(deed, NoticeState(before.state), taken_by=before.taken_by, by=act.by)
        except Taken:
            assert isinstance(refused, Taken)
            assert now == before
            return
        assert refused is None
        assert now is not None
        assert now.state == (before.state if then is None else then)
        assert now.version == before.version + (then is not None)

    def follows_by_itself(self) -> None:
        """Panels, signals and timers: one of the table's steps for each version that it moved on."""
        before, self.seen = self.seen, self.notice()
        now = self.seen
        if now is None or before is None or now.id != before.id or now.version == before.version:
            assert now is None or before is None or now.id != before.id or now.state == before.state
            return
        reached = {NoticeState(before.state)}
        for _ in range(now.version - before.version):
            deeds = (Deed.DUE, Deed.WORSE, Deed.SPEAK, Deed.END)
            reached = {
                then
                for state in reached
                for deed in deeds
                if (then := after(deed, state, taken_by=before.taken_by)) is not None
            }
        assert NoticeState(now.state) in reached
        assert now.state != NoticeState.QUIET
        if NoticeState.CLOSED not in {now.state, before.state}:
            assert Level(now.level).rank >= Level(before.level).rank

    @invariant()
    def what_is_stored_is_what_is_known(self) -> None:
        assert dict(self.store.ledger.load().states) == self.ingest.committed
        if self.seen is not None:
            assert self.store.archive.notice(self.seen.id) == self.seen

    @invariant()
    def each_state_has_what_belongs_to_it(self) -> None:
        notice = self.seen
        if notice is None:
            return
        slot = self.ingest.world.stations["L3", "P1"].slots["T2"]
        assert (notice.state == NoticeState.TAKEN) <= (notice.taken_by is not None)
        ends = notice.quiet_until is not None or bool(notice.quiet_panels)
        assert (notice.state == NoticeState.QUIET) == ends
        assert (notice.state == NoticeState.CLOSED) == (notice.closed_because is not None)
        assert (notice.state == NoticeState.OPEN) <= (slot.call is not None and "Ines" in notice.hears)
        due = floor.next_moment(self.ingest.world)
        assert due is None or notice.state in (NoticeState.OPEN, NoticeState.QUIET)

    @invariant()
    def programs_hear_changes_alone_and_nobody_hears_anything_twice(self) -> None:
        rows = self.store.outbox.deliveries(state=None, limit=1000, after=None)
        assert all(row.change != "reminded" for row in rows if row.outlet == "planner")
        told = [(row.outlet, row.notice, row.version) for row in rows if row.change != "reminded"]
        assert len(set(told)) == len(told)

    def a_replay_comes_to_the_same(self) -> None:
        entries = [entry for _, entry in self.store.archive.journal(position=0)]
        other = open_store(f"sqlite:///{self.folder}/again.db", migrate=True)
        try:
            again = self.ingesting({}, 0, 0)
            again._ledger = other.ledger
            again.replay(entries)
            assert again.committed == self.ingest.committed
        finally:
            other.close()


Life.TestCase.settings = settings(max_examples=25, stateful_step_count=30, deadline=None)
TestLifeOfANotice = Life.TestCase
