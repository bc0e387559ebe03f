"""A story that is written down as the journal has it, and one in which everything there is happens, under
names that are easily found again."""

from __future__ import annotations

import msgspec

from service.domain import floor
from service.domain.events import (
    Checked,
    Elsewhere,
    GatewayReport,
    JournalEntry,
    Message,
    OutletReport,
    PlanKept,
    Refusals,
    SupplyMessage,
    TimePassed,
)
from service.domain.history import End
from service.domain.model import PlannedExchange, PlannedStop
from service.domain.notices import Told
from service.domain.policy import (
    CareRule,
    Duty,
    Limits,
    MoistureRule,
    PartCost,
    Person,
    PlanRules,
    Policy,
    Route,
    SlotRule,
    Substitute,
    WarnRule,
)
from service.domain.reviewing import ReviewRules, TaktRule
from service.domain.state import Stock, SupplyState
from service.domain.word import Taught
from service.wire.native import Address
from tests.support.story import START, Story


class Written(Story):
    """``entries`` is the journal."""

    def __init__(self, policy: Policy | None = None) -> None:
        self.entries: list[JournalEntry] = []
        super().__init__(policy)

    def happen(
        self, address: Address, event: Message, payload: bytes = b"", *, retained: bool = False
    ) -> list[Told] | None:
        told = super().happen(address, event, payload, retained=retained)
        if told is not None:
            data = payload or msgspec.json.encode(event)
            self.entries.append(JournalEntry(self.now, address.kind, address.subject, data, retained))
        return told

    def set_policy(self, policy: Policy) -> list[Told] | None:
        self.now += 1
        self.entries.append(JournalEntry(self.now, "settings", "", msgspec.json.encode(policy)))
        return self._heard(floor.change_policy(self.world, policy, self.now))


RES, RES_OTHER, RES_SUB = "RQX-10K-0402", "RQX-22K-0402", "RQY-10K-0402"
MCU, CAP, EXACT, ODD = "MCUZ-48Q", 'CÄP»100N\\"1', "EXQ-7781", "[W]-9*?"
PARTS = (RES, RES_OTHER, RES_SUB, MCU, CAP, EXACT, ODD)
LOTS = ("LOTQ-A77", "LOTQ-B12")
SUPPLIES = ("reelq 4711", "trayq 12", "reelq 4712")
PEOPLE = ("Inesqua", "Jörnqvist", "Violetqa (link to hookq)")
ROSTER = "dayqcrew"
OUTLETS = ("hookq", "mailq of Jörnqvist")
ORDERS = ("ORDQ 100", "ORDQ/101")
RECIPES = ("RECQ main", "RECQ-trial", "RECQ/2")
WORDS = ("feederqua jammed", "lidqua was off", "Ask Inesqua first", "name or service qnot known")
IDS = ("evq-1", "evq-2", "evq-3")
PATTERNS = ("RQX-*", "MCUZ*", "*QX-22K*", "RECQ-tri*", "RQ?-10K-0402")
NAMES = (*PARTS, *LOTS, *SUPPLIES, *PEOPLE, ROSTER, *OUTLETS, *ORDERS, *RECIPES, *WORDS, *IDS, *PATTERNS)
"""All that must not be found in a recording under pseudonyms."""


def policy(**more: object) -> Policy:
    ines, joern, _ = PEOPLE
    hook, mail = OUTLETS
    base = Policy(
        timezone="Europe/Vienna",
        warn=Limits(lead_panels=10),
        rules=[
            WarnRule(part="RQX-*", lead_panels=14),
            WarnRule(part=RES_OTHER, lead_panels=6),
            WarnRule(part="*QX-22K*", kind="tape", lead_panels=20),
            WarnRule(part=EXACT, lead_panels=4, chance=0.3),
            WarnRule(part="MCUZ*", urgent_panels=5),
        ],
        slots=[SlotRule(slot="F9", part=CAP, kind="tape", full=400), SlotRule(slot="F8", part=ODD)],
        outlets=[hook, mail],
        programs=(hook,),
        people=(Person(name=ines, outlets=[mail, hook]), Person(name=joern, outlets=[mail])),
        duties=(Duty(roster=ROSTER, people=[ines, joern]),),
        routes=[
            Route(outlets=[hook], people=[ROSTER], kind="tape", remind_minutes=5.0),
            Route(people=[ines], escalate_to=[joern], escalate_minutes=3.0),
        ],
        substitutes=(Substitute(part=RES, instead=(RES_SUB,)),),
        cares=(CareRule(kind="tray", steps=(WORDS[2],)),),
        plan=PlanRules(parts=(PartCost(part="RQ?-10K-0402", each=0.01), PartCost(part=MCU, each=4.5))),
        moisture=(MoistureRule(part="MCUZ*", level="3"), MoistureRule(part=CAP, level="5a")),
        review=ReviewRules(takts=(TaktRule(seconds=9.0, recipe="RECQ-tri*"),), engineering=("RECQ-tri*",)),
    )
    return msgspec.structs.replace(base, **more)


def eventful() -> Written:
    """Everything there is happens: every kind of entry, and every kind of notice but one that needs sixty
    late warnings."""
    story = Written(policy())
    usage = {"F1": 10.0, "F2": 4.0, "F3": 2.0, "T1": 1.0, "F9": 3.0}
    parts = {"F1": RES, "F2": RES_OTHER, "F3": EXACT, "T1": MCU}
    for name in RECIPES[:2]:
        story.say(
            f"L3/P1/recipe/{name}", {"recipe": name, "usage": usage, "parts": parts, "operator": PEOPLE[0]}
        )
    story.say(
        "L3/P2/recipe",
        {"recipe": RECIPES[2], "usage": {"F8": 5}, "parts": {"F8": ODD}, "alternates": [["F8"]]},
    )
    story.order(ORDERS[0], "running", recipe=RECIPES[0], panels=120)
    story.say("L3/order", {"order": ORDERS[1], "state": "queued", "recipe": RECIPES[1], "panels": 60})
    story.first("F1", "F2", "F3", "T1", "F9")
    story.first("F8", station="P2")
    _load(story)
    slots = {"F1": 10, "F2": 4, "F3": 2, "T1": 1, "F9": 3}
    story.run(12, slots, lost={"F1": 1})
    story.run(3, {"F8": 7}, station="P2")
    story.readied(RES, 2, kind="tape", by=PEOPLE[1])
    plan = PlannedStop({"P1": 30}, (PlannedExchange("P1", "F1", IDS[0]),), order=ORDERS[0])
    story.happen(Address("plan", "L3", None), PlanKept((plan,)))
    _act(story)
    story.run(14, slots, lost={"F1": 1})
    _exchange(story)
    story.run(9, slots, lost={"F2": 1})
    _trouble(story)
    story.run(20, slots)
    story.set_policy(policy(warn=Limits(lead_panels=16), outlets=[*OUTLETS, "outq3"]))
    story.run(12, slots | {"F1": 12})
    story.pass_time(900.0)
    story.order(ORDERS[0], "finished")
    story.run(8, slots)
    return story


def _load(story: Written) -> None:
    ines, joern, linked = PEOPLE
    story.care(SUPPLIES[1], "opened", by=ines, part=MCU, moisture_level="4", ago=71.9 * 3600.0)
    story.care(SUPPLIES[2], "dry", by=joern, part=RES, humidity=5.0)
    reel = {"kind": "tape", "part": RES, "lot": LOTS[0], "supply": SUPPLIES[0], "by": ines}
    story.load("F1", 300, id=IDS[0], **reel)
    story.load("F2", 260, kind="tape", part=RES_OTHER, lot=LOTS[1], by=joern, ago=1.0)  # without an id
    story.load("F3", 90, kind="tape", part=EXACT, by=linked)
    story.load("T1", 40, kind="tray", part=MCU, supply=SUPPLIES[1], by=ines, trays={"rows": 5, "columns": 8})
    story.load("F8", 30, station="P2", kind="tape", part=ODD, note=WORDS[0])


def _act(story: Written) -> None:
    """What people do with notices."""
    for each in [told.notice for told in story.told if told.notice.state == "open"][:3]:
        story.take(each.id, by=PEOPLE[1])
        story.quiet(each.id, by=PEOPLE[1], seconds=60.0)
    story.later(70.0)
    story.pass_time()
    live = [slot for slot in ("F1", "F2", "F3") if slot in story.live()]
    if live:
        story.close(story.notice(live[0]).id, by=PEOPLE[0], reason=WORDS[1])


def _exchange(story: Written) -> None:
    """A wrong part that somebody accepts, one that is kept out of a slot, and an exchange taken back."""
    ines = PEOPLE[0]
    story.happen(Address("check", "L3", "P1"), Checked(slot="F3", part=RES, by=ines, lot=LOTS[1]))
    story.load("F3", 500, kind="tape", part=RES_SUB, by=ines, reason=WORDS[0], guided=True, id=IDS[1])
    story.run(1, {"F1": 10, "F3": 2})
    story.load("F1", 5000, id=IDS[2], kind="tape", part=RES_SUB, lot=LOTS[1], supply=SUPPLIES[2], by=ines)
    story.run(1, {"F1": 10})
    story.happen(
        Address("supply", "L3", "P1"), SupplyMessage(slot="F1", change="undone", undoes=IDS[2], by=ines)
    )
    story.join("F2", 300, kind="tape", part=RES_OTHER, lot=LOTS[0], by=PEOPLE[1])


def _trouble(story: Written) -> None:
    story.happen(
        Address("outlet", "", None), OutletReport(outlet=OUTLETS[1], state="failing", reason=WORDS[3])
    )
    refused = Refusals(refused=40, heard=60, reason=f"part {RES!r} isn't known to {PEOPLE[0]}")
    story.happen(Address("refusals", "L3", "P1"), refused)
    story.happen(Address("refusals", "", None), msgspec.structs.replace(refused, source="north"))
    reel = SupplyState(SUPPLIES[2], "tape", RES, LOTS[0], stock=Stock(80), at=story.now, moved=story.now)
    end = End(at=story.now, declared=500, counted=510, empty=True)
    word = Elsewhere(
        shard="east",
        position=7,
        taught=(Taught(kind="tape", part=RES, basis="label", end=end),),
        supplies=(reel,),
        used={SUPPLIES[0]: 3},
    )
    story.happen(Address("elsewhere", "", None), word)
    everywhere = Address("gateway", "", None)
    story.happen(everywhere, GatewayReport(source="north", state="silent", since=story.now, reason="away"))
    story.happen(everywhere, GatewayReport(source="", state="silent", since=story.now, reason="away"))
    story.happen(everywhere, GatewayReport(source="", state="well"))
    story.say("L3/P1/link", {"state": "offline", "who": PEOPLE[1]})
    story.out("F2")
    story.later(400.0)
    story.happen(Address("time", "", None), TimePassed(heard_since=START))
    story.say("L3/P1/link", {"state": "online"})
    story.load("F2", 800, kind="tape", part=RES_OTHER, by=PEOPLE[0])
    story.green()
    story.happen(Address("outlet", "", None), OutletReport(outlet=OUTLETS[1], state="well"))
    story.remove("F3", by=PEOPLE[1])
