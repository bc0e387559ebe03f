"""``check --sample``: what a source makes of a message at hand, and from where it takes each part."""

from __future__ import annotations

import base64
import json
from pathlib import Path

import pytest

from service.bootstrap import wall_clock
from service.commands import make_parser, sampled
from service.settings import load
from tests.support.sparkplug_edge import INT64, Edge, Message, metric

MAPPED = """
[[source]]
name = "placers"
format = "mapped"
[[source.message]]
topic = "plant/{line}/{station}/counters"
gives = "count"
take = { at = "ts", slots = "feeders", slot = "pos", picked = "picks", lost = "rejects" }
time = "ms"
[[source.message]]
topic = "plant/{line}/{station}/counters"
gives = "link"
when = "state"
take = { state = "state" }
[[source.value]]
name = "plant/{line}/{station}/{slot}/lot"
means = "lot"
[[source.value]]
name = "plant/{line}/{station}/{slot}/part"
means = "part"
"""
NATIVE = '[[source]]\nname = "north"\nformat = "native"\nroot = "hall"\n'
SPARKPLUG = """
[[source]]
name = "edges"
format = "sparkplug"
node = "{line}"
device = "{station}"
[[source.value]]
name = "Feeders/{slot}/Placed"
means = "placed"
"""
COUNTERS = {
    "ts": 1772432047000,
    "feeders": [{"pos": "F1", "picks": 100, "rejects": 2}, {"pos": "F2", "picks": 7}],
}


@pytest.fixture
def check(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    """``check(config, sample, …)``: the exit code and the lines."""

    def check(config: str, sample: bytes, **options: str) -> tuple[int, list[str]]:
        (tmp_path / "plant.toml").write_text(config, encoding="utf-8")
        file = tmp_path / "sample"
        file.write_bytes(sample)
        words = [word for name, value in options.items() for word in (f"--{name}", value)]
        known = make_parser().parse_args(["check", "--sample", str(file), *words])
        code = sampled.explain(known, load(tmp_path / "plant.toml", {}))
        printed = capsys.readouterr()
        return code, (printed.out + printed.err).splitlines()

    return check


def lines(*messages: dict[str, object]) -> bytes:
    return "\n".join(json.dumps(each) for each in messages).encode()


def as_line(message: Message) -> dict[str, object]:
    return {"topic": message.topic, "payload_base64": base64.b64encode(message.payload).decode()}


def test_each_part_is_shown_with_where_it_was_found_and_what_is_missing(check):
    code, said = check(MAPPED, json.dumps(COUNTERS).encode(), topic="plant/L3/P1/counters")
    assert code == 0
    assert said[:8] == [
        "plant/L3/P1/counters",
        "  message[0]",
        '    line ← topic ← "L3"',
        '    station ← topic ← "P1"',
        "    at ← ts ← 1772432047000",
        '    slots ← feeders ← [{"pos": "F1", "picks": 100, "rejects": 2}, {"pos": "F2", "picks": 7}]',
        '    slots[0].slot ← pos ← "F1"',
        "    slots[0].picked ← picks ← 100",
    ]
    assert "    slots[1].lost ← rejects ← missing" in said
    assert "  message[1]: not meant" in said
    assert "    when ← state ← missing" in said


def test_the_messages_that_follow_are_shown_and_what_a_second_one_adds(check):
    more = COUNTERS | {"ts": 1772432050000, "feeders": [{"pos": "F1", "picks": 118, "rejects": 3}]}
    topic = "plant/L3/P1/counters"
    code, said = check(
        MAPPED, lines({"topic": topic, "payload": COUNTERS}, {"topic": topic, "payload": more})
    )
    assert code == 0
    counts = [
        json.loads(line.partition(": ")[2])["slots"] for line in said if line.startswith("  says count")
    ]
    assert counts == [
        {"F1": {"placed": 0, "lost": 0}, "F2": {"placed": 0}},
        {"F1": {"placed": 17, "lost": 1}},
    ]
    assert said[-1].startswith("totals count from the first")


def test_what_time_alone_adds_is_shown(check):
    code, said = check(MAPPED, lines({"topic": "plant/L3/P1/F1/lot", "payload": "A77"}))
    assert code == 0
    assert "  says nothing yet" in said
    assert "2.0 s later, should nothing else come" in said
    assert any('"lot":"A77"' in line for line in said)


@pytest.mark.parametrize(
    ("topic", "payload", "why"),
    [
        ("plant/L3/P1/counters", b'{"ts": "noon"}', "at (ts): 'noon' is no time in ms since 1970"),
        ("plant/L3/P 1/counters", b"{}", "station 'P 1' must be 1 to 64 letters, digits, '.', '_' or '-'"),
        ("elsewhere", b"{}", "no rule is for the topic 'elsewhere'"),
        ("plant/L3/P1/counters", b"{", "the payload is no JSON"),
    ],
)
def test_a_refusal_is_named_and_exits_1(check, topic, payload, why):
    code, said = check(MAPPED, payload, topic=topic)
    assert code == 1
    assert any(line.startswith(f"refused: {why}") for line in said)


def test_a_message_of_our_own_contract_is_checked_too(check):
    code, said = check(NATIVE, b'{"slots": {"F1": {"placed": "7"}}}', topic="hall/L3/P1/count")
    assert code == 1
    assert said[-1].startswith("refused: ")
    assert check(NATIVE, b'{"slots": {"F1": {"placed": 7}}}', topic="hall/L3/P1/count")[0] == 0


def test_bytes_that_are_no_text_may_come_as_base64(check):
    payload = base64.b64encode(b'{"slots": {"F1": {"placed": 7}}}').decode()
    code, said = check(NATIVE, lines({"topic": "hall/L3/P1/count", "payload_base64": payload}))
    assert code == 0
    assert any("says count of L3/P1" in line for line in said)


def test_bytes_of_another_format_are_translated_as_they_would_be(check):
    """Births of an edge node, and data of one whose birth isn't there: which we would ask for."""
    edge = Edge(at=wall_clock() // 1000)
    placed = metric("Feeders/F07/Placed", 18756, INT64)
    sample = [edge.nbirth(), edge.dbirth("P1", placed)]
    code, said = check(SPARKPLUG, lines(*map(as_line, sample)))
    assert code == 0
    assert any(line.startswith('  says count of L3/P1: {"at":') for line in said)
    code, said = check(SPARKPLUG, lines(as_line(edge.ddata("P1", placed))))
    assert "  would ask on spBv1.0/Hollerbach/NCMD/L3" in said


def test_several_sources_want_a_name(check):
    code, said = check(MAPPED + NATIVE, b"{}", topic="x")
    assert (code, said) == (1, ["earlybell: --source: which one (there are: placers, north)"])
    code, said = check(MAPPED + NATIVE, b"{}", topic="x", source="south")
    assert (code, said) == (1, ["earlybell: --source: there is no 'south' (there are: placers, north)"])
    assert check(MAPPED + NATIVE, b"{}", topic="hall/L3/P1/count", source="north")[0] == 1


def test_a_line_that_is_no_message_is_named(check):
    code, said = check(NATIVE, b'{"topic": "a", "payload": {}}\n{"payload": 1}')
    assert code == 1
    assert "line 2" in said[-1]
