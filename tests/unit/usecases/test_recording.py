"""A recording is read line by line, and a sealed one is found whole or it is said what is wrong with it."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable

import msgspec
import pytest

from service.desk import Unfit
from service.domain.events import JournalEntry
from service.domain.model import SECOND
from service.usecases.recording import Reader, Seal
from service.wire.journal import Exporter, PlainLine, StartState
from tests.support.story import START

EXPORTER = Exporter("Werk Süd")
Lines = list[bytes]


def count(number: int) -> JournalEntry:
    data = b'{"panels":%d,"slots":{}}' % number
    return JournalEntry(START + number * SECOND, "count", "L3/P1", data)


def sealed(entries: int, *, position: int = 40) -> Lines:
    seal = Seal("0.1.0")
    start = StartState(position=position, at=START, policy=msgspec.Raw(b"{}"))
    first = seal.state(start, EXPORTER.state(start, sealed=True))
    others = [seal.entry(count(n), EXPORTER.entry(position + n, count(n))) for n in range(entries)]
    return [first, *others, seal.end(EXPORTER)]


def read(lines: Lines) -> Reader:
    reader = Reader()
    list(reader.read(lines))
    return reader


def test_a_sealed_recording_is_read_whole_and_its_manifest_says_what_it_is():
    lines = sealed(3)
    reader = Reader()
    start, *entries = reader.read(lines)
    assert isinstance(start, StartState)
    assert entries == [count(0), count(1), count(2)]
    assert reader.site == "Werk Süd"
    manifest = reader.manifest
    assert manifest is not None
    assert (manifest.format, manifest.program, manifest.site) == (1, "0.1.0", "Werk Süd")
    assert (manifest.position, manifest.entries, manifest.pseudonyms) == (40, 3, False)
    assert (manifest.first, manifest.last) == ("2026-03-02T06:00:00.000000Z", "2026-03-02T06:00:02.000000Z")


def test_the_sum_is_the_sha_256_of_all_bytes_before_the_manifest():
    *lines, last = sealed(5)
    event = json.loads(last)
    assert event["type"] == "earlybell.manifest"
    assert event["data"]["sha256"] == hashlib.sha256(b"".join(lines)).hexdigest()


def test_line_ends_need_not_come_with_the_lines():
    assert read([line.rstrip(b"\n") for line in sealed(3)] + [b""]).manifest is not None


def test_a_recording_without_a_seal_ends_where_it_ends():
    start = StartState(position=0, at=START, policy=msgspec.Raw(b"{}"))
    reader = read([EXPORTER.state(start), b"\n", EXPORTER.entry(0, count(1))])
    assert (reader.entries, reader.manifest, reader.number) == (1, None, 3)


def _swap(lines: Lines) -> Lines:
    return [lines[0], lines[2], lines[1], *lines[3:]]


def _number(lines: Lines) -> Lines:
    return [*lines[:1500], lines[1500].replace(b'"panels":1499', b'"panels":1498'), *lines[1501:]]


def _count(lines: Lines) -> Lines:
    return [*lines[:-1], lines[-1].replace(b'"entries":2500', b'"entries":2499')]


WRONG: list[tuple[Callable[[Lines], Lines], str]] = [
    (lambda lines: lines[:-1], "cut short after line 2501"),
    (lambda lines: lines[:700], "cut short after line 700"),
    (lambda lines: [*lines[:700], lines[700][:80]], "line 701: .*truncated"),
    (lambda lines: lines[:700] + lines[701:], "changed: line 701 has entry 740, where entry 739 should be"),
    (_swap, "changed: line 2 has entry 41, where entry 40 should be"),
    (lambda lines: lines[:2000] + lines[-1:], "changed: 1999 entries, the manifest says 2500"),
    (_number, "changed between line 1001 and line 2000: its SHA-256"),
    (
        lambda lines: [lines[0].replace(b"S%C3%BCd", b"Nord"), *lines[1:]],
        "changed between line 1 and line 1000",
    ),
    (lambda lines: [*lines[:2300], b" " + lines[2300], *lines[2301:]], "between line 2001 and line 2501"),
    (_count, "changed: 2500 entries, the manifest says 2499"),
    (lambda lines: lines + lines, "line 2503: more after the manifest"),
    (lambda lines: lines[:3] + lines, "line 4: a second start state"),
    (lambda lines: [lines[0].replace(b',"sealed":true', b""), *lines[1:]], "or the first line was changed"),
    (lambda lines: [*lines[:-1], lines[-1].replace(b'"format":1', b'"format":2')], "format 2 of recordings"),
    (lambda lines: [lines[0], b'{"specversion": "1.0"}', *lines[1:]], "line 2: not an event of ours"),
]


@pytest.mark.parametrize(("spoil", "problem"), WRONG, ids=[problem for _, problem in WRONG])
def test_what_was_cut_off_or_changed_is_said(spoil: Callable[[Lines], Lines], problem: str):
    with pytest.raises(Unfit, match=problem):
        read(spoil(sealed(2500)))


def test_every_changed_byte_is_noticed():
    lines = sealed(3)
    whole = b"".join(lines[:-1])
    for place in range(0, len(whole) - 1, 7):
        spoilt = bytearray(whole)
        spoilt[place] ^= 0x01
        with pytest.raises(Unfit):
            read([*bytes(spoilt).splitlines(keepends=True), lines[-1]])


def test_lines_that_others_wrote_are_read_where_they_are_wanted():
    line = b'{"topic": "floor/L3/P1/count", "payload": {"panels": 1}}'
    assert isinstance(Reader(plain=True).hear(line), PlainLine)
    with pytest.raises(Unfit, match="line 1: not an event of ours"):
        Reader().hear(line)
