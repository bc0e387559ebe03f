"""Every outlook of a recording, as the program would have shown it."""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterable, Sequence
from concurrent.futures import Future
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec
import pytest

from service.desk import Unfit
from service.domain.events import PersonAct
from service.domain.model import from_datetime
from service.domain.policy import Limits, Policy, SlotRule, WarnRule
from service.domain.world import World
from service.recordings import pieces
from service.store import Store, open_store
from service.usecases.batch import Ask, Inbound
from service.usecases.foretell import FEWER_THAN, Wanted, foretell
from service.usecases.ingest import Ingest
from service.usecases.show import Shown
from service.wire.native import Address

BEGIN = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
Json = dict[str, Any]


def moment(seconds: float) -> str:
    return (BEGIN + timedelta(seconds=seconds)).isoformat().replace("+00:00", "Z")


def plain(what: str, seconds: float, /, *, line: str = "L1", station: str | None = "P1", **body: Any) -> Json:
    place = line if station is None else f"{line}/{station}"
    return {"topic": f"floor/{place}/{what}", "payload": body | {"at": moment(seconds)}}


def count(seconds: float, seq: int, panels: int, slots: dict[str, Any], **more: Any) -> Json:
    counts = {
        name: {"placed": each} if isinstance(each, int) else {"placed": each[0], "lost": each[1]}
        for name, each in slots.items()
    }
    return plain("count", seconds, session="a", seq=seq, panels=panels, slots=counts, **more)


def lines(events: Iterable[Json]) -> list[bytes]:
    return [msgspec.json.encode(event) for event in events]


def told(
    events: Sequence[Json] | Sequence[bytes],
    policy: Policy | None = None,
    *,
    piece: int = 1000,
    **wanted: Any,
) -> list[Json]:
    recording = [each if isinstance(each, bytes) else msgspec.json.encode(each) for each in events]
    cut = [recording[begin : begin + piece] for begin in range(0, len(recording), piece)]
    said = b"".join(foretell(cut, policy or Policy(), Wanted(**wanted)))
    return [json.loads(line) for line in said.splitlines()]


def outlooks(said: list[Json]) -> list[Json]:
    return [each for each in said if each["type"] == "outlook"]


def tray(*counted: int) -> list[Json]:
    """A tray of 160 parts, one a panel."""
    return [
        plain("recipe", 0, recipe="R", usage={"T2": 1}),
        count(1, 1, 0, {"T2": (0, 0)}),
        plain("supply", 2, slot="T2", change="loaded", kind="tray", quantity=160, id="tray-1"),
        *(count(20 * each, 1 + each, each, {"T2": (each, 0)}) for each in counted),
    ]


def day() -> list[Json]:
    """Two lines: a recipe, orders, a pair of alternates, losses, refills, a tower, a join, a removal."""
    events = [
        plain("order/B-1", 0, station=None, order="B-1", recipe="R", panels=120, state="running"),
        plain("order/B-2", 0.5, station=None, order="B-2", recipe="R", panels=60, state="queued"),
        plain(
            "recipe",
            1,
            recipe="R",
            usage={"F1": 18, "F2": 4, "F3": 4, "T1": 1},
            parts={"F1": "R-10K"},
            alternates=[["F2", "F3"]],
        ),
        plain("supply", 2, slot="F1", change="loaded", kind="tape", quantity=1200, id="1", supply="reel-1"),
        plain("supply", 3, slot="F2", change="loaded", kind="tape", quantity=300, id="2"),
        plain("supply", 4, slot="F3", change="loaded", kind="tape", quantity=350, id="3"),
        plain("supply", 5, slot="T1", change="loaded", kind="tray", quantity=70, id="4"),
        plain("recipe", 6, line="L2", recipe="Q", usage={"F1": 3}),
    ]
    for panel in range(150):
        at = 10 + 20 * panel
        slots = {"F1": (18 * panel, panel // 7), "F2": (4 * (panel // 2), 0), "T1": panel}
        if panel % 2:
            slots["F3"] = (4 * (panel // 2), panel // 20)
        events.append(count(at, panel, panel, slots))
        events.append(
            plain("count", at + 3, line="L2", session="b", seq=panel, slots={"F1": {"placed": 3 * panel}})
        )
        if panel == 40:
            events.append(plain("supply", at + 4, slot="F1", change="joined", quantity=900, id="5"))
        if panel == 66:
            lamps = {"yellow": "flashing"}
            events.append(plain("tower", at + 4, lamps=lamps, buzzer="on", slots=["T1"]))
        if panel == 67:
            events.append(plain("supply", at + 4, slot="T1", change="loaded", quantity=70, id="6"))
        if panel == 80:
            events.append(plain("supply", at + 4, slot="F2", change="removed", id="7"))
        if panel == 90:
            events.append(
                plain(
                    "supply",
                    at + 4,
                    station="P9",
                    slot="F1",
                    change="loaded",
                    kind="tape",
                    quantity=50,
                    supply="reel-1",
                )
            )
    return events


def test_a_tray_of_160_is_due_when_ten_are_left_by_hand_to_the_digit() -> None:
    """Worked by hand: eleven left and one a panel, X <= 10 means that at least one of the next eleven is
    lost. The odds are believed as Gamma(a, b), so P(no loss in 11) = (b / (b + 11))^a; a tray starts from one
    loss in 500 (a = 1, b = 500), and what was placed without a loss adds at most 149 to b."""
    said = outlooks(told(tray(148, 149, 150)))
    twelve, eleven, ten = said[-3:]
    assert [each["remaining"]["book"] for each in said[-3:]] == [12, 11, 10]
    assert 11 / (500 + 149 + 11) <= eleven["chance"] <= 11 / (500 + 11)
    assert [each["due"] for each in said[-3:]] == [False, False, True]
    assert ten["chance"] == 1.0, "ten parts can't complete eleven panels"
    assert twelve["chances"]["20"] == ten["chances"]["20"] == 1.0
    assert ten["chances"]["10"] == pytest.approx(1 - (1 - eleven["chance"]) ** (10 / 11), rel=0.02)
    assert ten["panels_to_empty"] == {"p05": 10, "p50": 10, "p95": 10}


def test_a_lost_part_counts_so_the_same_tray_is_due_one_panel_earlier() -> None:
    said = outlooks(told([*tray(148), count(2980, 200, 149, {"T2": (149, 1)})]))
    assert (said[-1]["remaining"]["book"], said[-1]["due"]) == (10, True)


def test_the_notice_that_opens_stands_beside_the_outlook_of_its_event() -> None:
    *_, outlook, notice = told(tray(148, 149, 150))
    assert (notice["type"], notice["change"], notice["event"]) == ("notice", "opened", 6)
    assert outlook["event"] == 6
    assert notice["notice"]["id"] == outlook["notice"]
    assert notice["at"] == outlook["at"] == "2026-03-02T06:50:00.000Z"


def test_chances_grow_with_the_panels_and_agree_with_the_quantiles() -> None:
    for each in outlooks(told(day())):
        if each["chances"] is None:
            assert each["panels_to_empty"] is None
            continue
        chances = [each["chances"][str(k)] for k in FEWER_THAN]
        assert chances == sorted(chances)
        for name, share in (("p05", 0.05), ("p50", 0.5), ("p95", 0.95)):
            quantile = each["panels_to_empty"][name]  # the least x with P(X < x + 1) >= share
            for k, chance in zip(FEWER_THAN, chances, strict=True):
                assert chance >= share - 1e-6 if k > quantile else chance <= share + 1e-6


def test_however_the_lines_come_to_hand_the_answer_is_the_same() -> None:
    whole = told(day())
    assert len(outlooks(whole)) > 500
    assert told(day(), piece=1) == told(day(), piece=7) == whole


@pytest.fixture
def store(tmp_path: Path) -> Iterable[Store]:
    opened = open_store(f"sqlite:///{tmp_path}/earlybell.db", migrate=True)
    yield opened
    opened.close()


def ingest_into(store: Store, policy: Policy) -> Ingest:
    ingest = Ingest(
        world=World(),
        ledger=store.ledger,
        committed={},
        position=0,
        last_at=0,
        clock=lambda: from_datetime(BEGIN),
        root="floor",
        by_events=True,
    )
    ingest.adopt_policy(policy)
    return ingest


def inbound(event: Json) -> Inbound:
    return Inbound(event["topic"].encode(), json.dumps(event["payload"]).encode(), False, (1, 1))


def test_its_numbers_are_those_that_the_program_shows_after_each_event(store: Store) -> None:
    policy = Policy(warn=Limits(lead_panels=12), slots=[SlotRule(slot="T*", kind="tray", full=70)])
    ingest = ingest_into(store, policy)
    shown = Shown(committed=ingest.committed, archive=store.archive, site="Tarn", reasons=list)
    said: dict[int, dict[tuple[str, str, str], Json]] = {}
    for each in outlooks(told(day(), policy)):
        said.setdefault(each["event"], {})[each["line"], each["station"], each["slot"]] = each
    before: dict[tuple[str, str, str], Json] = {}
    for number, event in enumerate(day(), 1):
        ingest.take([inbound(event)])
        now = {
            (each["line"], each["station"], each["slot"]): each
            for line in ("L1", "L2")
            for each in json.loads(json.dumps(shown.slots(line) or []))
        }
        for place, each in said.get(number, {}).items():
            assert {key: each[key] for key in now[place]} == now[place], (number, place)
        if not event["topic"].endswith("count"):
            changed = {place for place, each in now.items() if before.get(place) != each}
            assert changed == set(said.get(number, {})), number
        before = now
    assert ingest.position == len(day()) + 1


def recorded(store: Store) -> list[bytes]:
    """A day through the program, a person among it and other settings in the middle; exported."""
    ingest = ingest_into(store, Policy(warn=Limits(lead_panels=12)))
    for number, event in enumerate(day()):
        done = ingest.take(
            [Inbound(event["topic"].encode(), json.dumps(event["payload"]).encode(), False, (1, 1))]
        )
        for each in done.told:
            if each.change == "opened":
                act = PersonAct(notice=each.notice.id, action="take", by="Ines")
                place = Address("person", each.notice.line or "", each.notice.station, each.notice.slot)
                ingest.take([Ask(place, act, msgspec.json.encode(act), Future())])
        if number == 150:
            ingest.adopt_policy(Policy(warn=Limits(lead_panels=5)))
    shown = Shown(committed=ingest.committed, archive=store.archive, site="Tarn", reasons=list)
    return list(shown.events(since=None, until=None))


def test_a_recording_of_the_programs_own_gives_what_its_messages_give(store: Store) -> None:
    recording = recorded(store)
    from_journal = [each for each in told(recording) if each["type"] == "outlook"]
    assert {each["lead_panels"] for each in from_journal} == {12, 5}, (
        "its settings rule from where they stand"
    )
    numbers = {each["at"]: each for each in from_journal if each["slot"] == "F1" and each["line"] == "L1"}
    early = [
        each for each in outlooks(told(day(), Policy(warn=Limits(lead_panels=12)))) if each["event"] <= 150
    ]
    compared = 0
    for each in early:
        twin = numbers.get(each["at"])
        if twin is not None and each["slot"] == "F1" and each["line"] == "L1":
            assert each | {"event": 0} == twin | {"event": 0}
            compared += 1
    assert compared > 50


def test_a_recording_may_begin_in_the_middle_with_the_state_or_without_it(store: Store) -> None:
    recording = recorded(store)
    ends = msgspec.json.decode(recording[-1])["time"]
    shown = Shown(
        committed=dict(store.ledger.load().states), archive=store.archive, site="Tarn", reasons=list
    )
    since = from_datetime(datetime.fromisoformat(ends) - timedelta(seconds=600))
    tail = list(shown.events(since=since, until=None))
    assert 40 < len(tail) < 100
    assert b"earlybell.state" in tail[0]

    def numbers(said: list[Json]) -> list[Json]:
        return [each | {"event": 0} for each in outlooks(said)]

    assert numbers(told(tail)) == numbers(told(recording))[-len(outlooks(told(tail))) :]
    assert outlooks(told(tail[1:])), "without the state it begins with nothing known"


def test_the_settings_given_rule_a_recording_that_has_none() -> None:
    policy = Policy(rules=[WarnRule(slot="T2", lead_panels=30, chance=0.2)])
    said = outlooks(told(tray(129, 130), policy))
    assert [each["due"] for each in said[-2:]] == [False, True]
    assert said[-1]["lead_panels"] == 30


def test_a_plain_lines_moment_is_its_own_or_the_payloads_or_the_last() -> None:
    events = tray(10, 11, 12)
    events[-3]["at"] = moment(205)
    events[-2]["payload"]["at"] = moment(215)
    del events[-1]["payload"]["at"]
    assert [each["at"] for each in outlooks(told(events))][-3:] == [
        "2026-03-02T06:03:25.000Z",
        "2026-03-02T06:03:35.000Z",
        "2026-03-02T06:03:35.000Z",
    ]


def test_only_the_slots_asked_for_are_said_and_their_notices() -> None:
    said = told(day(), slots="L1/*/T*")
    assert {each["slot"] for each in outlooks(said)} == {"T1"}
    notices = [each["notice"]["slot"] for each in said if each["type"] == "notice"]
    assert set(notices) == {"T1"}


def test_a_slot_may_be_said_every_so_many_panels_alone() -> None:
    said = outlooks(told(tray(*range(1, 101)), every=10))
    assert [each["counted"]["panels"] for each in said if each["event"] > 3] == list(range(10, 101, 10))


def test_repeats_and_an_act_on_an_unknown_notice_say_nothing() -> None:
    act = {
        "specversion": "1.0",
        "id": "9",
        "source": "/earlybell/Tarn",
        "type": "earlybell.person",
        "time": moment(500),
        "subject": "L1/P1/T2",
        "data": {"notice": "n0", "action": "take", "by": "Ines"},
    }
    once, again = told(tray(10)), told([*tray(10), tray(10)[-1], act])
    assert again == once


@pytest.mark.parametrize(
    ("bad", "reason"),
    [
        ({"topic": "floor/L1/P1/kount", "payload": {}}, "no such topic"),
        ({"topic": "plant/L1/P1/count", "payload": {}}, "isn't below 'floor'"),
        ({"topic": "floor/L1/P1/count", "payload": {"slots": {"T2": {"placed": -1}}}}, "placed"),
        ({"topic": "floor/L1/P1/count", "payload": {"panels": 1}, "at": "yesterday"}, "at"),
        ({"slot": "T2"}, "neither an event of ours nor a topic"),
        (b"{", "neither an event of ours nor a topic"),
        ({"specversion": "1.0", "id": "1"}, "not an event of ours"),
    ],
)
def test_a_line_that_is_not_ours_is_named_after_what_came_before_it(bad: Json | bytes, reason: str) -> None:
    recording = [
        *lines(tray(148)),
        b"",
        bad if isinstance(bad, bytes) else msgspec.json.encode(bad),
        b"never",
    ]
    said: list[bytes] = []
    with pytest.raises(Unfit, match=r"line 6: .*") as problem:
        said.extend(foretell([recording], Policy(), Wanted()))
    assert reason in str(problem.value)
    assert len(b"".join(said).splitlines()) == len(told(tray(148)))


def test_two_recordings_in_one_file_are_refused(store: Store) -> None:
    recording = recorded(store)[:5]
    with pytest.raises(Unfit, match="line 6: a second start state"):
        told([*recording, recording[0]])


@pytest.mark.parametrize("name", ["day.jsonl", "day.jsonl.gz"])
def test_a_file_is_read_in_pieces_and_no_line_is_cut(tmp_path: Path, name: str) -> None:
    recording = [*lines(day()), b'{"long": "' + b"x" * 300_000 + b'"}', b"last"]
    path = tmp_path / name
    data = b"\n".join(recording)
    path.write_bytes(gzip.compress(data) if name.endswith("gz") else data)
    assert [line for piece in pieces(path) for line in piece] == recording
