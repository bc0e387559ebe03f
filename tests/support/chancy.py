"""Stories in which anything happens in any order, by a seed, under the names of ``written``."""

from __future__ import annotations

import random
from typing import Any

from service.domain.events import Checked, OutletReport, SupplyMessage, TimePassed
from service.domain.life import Taken
from service.domain.policy import Limits, WarnRule
from service.wire.native import Address
from tests.support.story import START
from tests.support.written import (
    CAP,
    LOTS,
    ORDERS,
    OUTLETS,
    PARTS,
    PEOPLE,
    RECIPES,
    SUPPLIES,
    WORDS,
    Written,
    policy,
)

USAGE = {"F1": 10, "F2": 4, "F3": 2, "T1": 1, "F9": 3}


def chancy(seed: int, steps: int = 70) -> Written:
    chance = random.Random(seed)
    story = Written(policy())
    usage = {"usage": USAGE, "parts": dict(zip(USAGE, PARTS, strict=False))}
    story.say(f"L3/P1/recipe/{RECIPES[0]}", {"recipe": RECIPES[0], "alternates": [["F1", "F2"]]} | usage)
    story.say(f"L3/P1/recipe/{RECIPES[1]}", {"recipe": RECIPES[1], "active": False} | usage)
    story.first(*USAGE)
    for slot in USAGE:
        _supply(story, chance, slot)
    deeds = (_run, _run, _run, _exchange, _act, _act, _wait, _order, _signal, _beside, _undo, _settle)
    for _ in range(steps):
        chance.choice(deeds)(story, chance)
    return story


def _run(story: Written, chance: random.Random) -> None:
    lost = {slot: 1 for slot in USAGE if chance.random() < 0.2}
    more: dict[str, Any] = {"skipped": WORDS[0]} if chance.random() < 0.1 else {}
    story.run(chance.randint(1, 12), USAGE, lost=lost, **more)


def _exchange(story: Written, chance: random.Random) -> None:
    _supply(story, chance, chance.choice([*USAGE, "F8"]))


def _supply(story: Written, chance: random.Random, slot: str) -> None:
    change = chance.choice(["loaded", "loaded", "loaded", "joined", "counted", "removed", "spliced"])
    more: dict[str, Any] = {
        "id": chance.choice([None, None, f"evq-{chance.randint(1, 40)}"]),
        "kind": chance.choice([None, "tape", "tape", "tray"]),
        "part": chance.choice([None, *PARTS]),
        "lot": chance.choice([None, *LOTS]),
        "supply": chance.choice([None, *SUPPLIES]),
        "quantity": chance.choice([None, 12, 90, 300, 300])
        if change != "counted"
        else chance.randint(0, 200),
        "by": chance.choice([None, *PEOPLE]),
        "reason": chance.choice([None, None, *WORDS]),
        "moisture_level": chance.choice([None, None, "MSL 3", "5a", WORDS[1]]),
        "trays": chance.choice([None, None, {"rows": 5, "columns": 8, "next": [0, 3], "who": PEOPLE[0]}]),
    }
    story.supply(change, slot, ago=chance.choice([None, 0.0, 40.0]), **more)


def _act(story: Written, chance: random.Random) -> None:
    """On any notice that there ever was."""
    if not story.told:
        return
    notice, by = chance.choice(story.told[-6:]).notice.id, chance.choice(PEOPLE)
    try:
        match chance.randrange(5):
            case 0 | 1:
                story.take(notice, by=by)
            case 2:
                story.quiet(notice, by=by, panels=chance.choice([None, 4]), seconds=90.0)
            case 3:
                story.close(notice, by=by, reason=chance.choice(WORDS))
            case _:
                story.release(notice, by=by)
    except (KeyError, Taken):
        pass  # it is over: nothing is journalled


def _wait(story: Written, chance: random.Random) -> None:
    story.later(chance.choice([1.0, 70.0, 200.0, 2000.0]))
    story.happen(Address("time", "", None), TimePassed(heard_since=chance.choice([None, START])))


def _order(story: Written, chance: random.Random) -> None:
    state = chance.choice(["queued", "running", "finished", "withdrawn"])
    message = {"order": (name := chance.choice(ORDERS)), "state": state, "recipe": chance.choice(RECIPES)}
    topic = "L3/order" if "/" in name else f"L3/order/{name}"
    story.say(topic, message | {"panels": chance.choice([None, 30, 200])}, retained=chance.random() < 0.3)


def _signal(story: Written, chance: random.Random) -> None:
    match chance.randrange(4):
        case 0:
            story.out(chance.choice(list(USAGE)))
        case 1:
            story.tower(chance.choice(list(USAGE)), yellow="flashing")
        case 2:
            story.green()
        case _:
            story.say("L3/P1/link", {"state": chance.choice(["online", "offline"])})


def _beside(story: Written, chance: random.Random) -> None:
    """Ticks, care, labels, outlets."""
    by, part = chance.choice(PEOPLE), chance.choice(PARTS)
    match chance.randrange(4):
        case 0:
            story.readied(part, chance.randint(0, 3), kind=chance.choice([None, "tape"]), by=by)
        case 1:
            change = chance.choice(["opened", "sealed", "dry", "out", "baked"])
            story.care(chance.choice(SUPPLIES), change, by=by, part=chance.choice([None, part]), ago=30.0)
        case 2:
            checked = Checked(slot=chance.choice(list(USAGE)), part=part, by=by, lot=chance.choice(LOTS))
            story.happen(Address("check", "L3", "P1"), checked)
        case _:
            state: Any = chance.choice(["failing", "gone", "well"])
            report = OutletReport(outlet=chance.choice(OUTLETS), state=state, reason=WORDS[3])
            story.happen(Address("outlet", "", None), report)


def _undo(story: Written, chance: random.Random) -> None:
    kept = [slot for slot in story.station().slots.values() if slot.exchanged is not None]
    if kept and (exchanged := (slot := chance.choice(kept)).exchanged) is not None:
        undone = SupplyMessage(
            slot=slot.name, change="undone", undoes=exchanged.event, by=chance.choice(PEOPLE)
        )
        story.happen(Address("supply", "L3", "P1"), undone)


def _settle(story: Written, chance: random.Random) -> None:
    """Other settings."""
    if chance.random() < 0.3:
        rule = WarnRule(part=chance.choice([CAP, "RQX-*", "*22K*"]), lead_panels=chance.randint(3, 30))
        story.set_policy(policy(warn=Limits(lead_panels=chance.randint(4, 20)), rules=[rule]))
