"""``earlybell export`` as people use it: while the program runs, to a file, a packed one, a pipe; and whether
a recording is whole."""

from __future__ import annotations

import csv
import gzip
import io
from pathlib import Path

from service.domain.hourly import HOUR, LineHour, StationHour
from service.store import open_store
from tests.support.factory import Factory
from tests.support.processes import LoadedProgram, run_loaded


class Desk:
    """``earlybell`` beside a program that runs, with its configuration."""

    def __init__(self, folder: Path, config: str) -> None:
        self.folder, self.config = folder, config

    def run(self, *words: str) -> tuple[int, bytes, str]:
        program = LoadedProgram(self.folder, *words, config=self.config)
        done = run_loaded(program.words, folder=self.folder, environment=program.environment)
        return done.returncode, done.stdout, done.stderr.decode()


def shift(factory: Factory) -> None:
    factory.gateway.send("L3/P1/recipe", recipe="r", usage={"T2": 1})
    zero = {"T2": {"placed": 0, "lost": 0}}
    factory.gateway.send("L3/P1/count", session="a", seq=1, panels=0, slots=zero)
    factory.gateway.send(
        "L3/P1/supply", id="1", slot="T2", change="loaded", part="MCU-48Q", by="Resi", quantity=20
    )
    for panel in range(1, 16):
        slots = {"T2": {"placed": panel, "lost": 0}}
        factory.gateway.send("L3/P1/count", session="a", seq=1 + panel, panels=panel, slots=slots)
    factory.until_counted("L3", "T2", seq=16)


def notices(folder: Path, file: str) -> list[tuple[object, ...]]:
    """All that is in a store."""
    store = open_store(f"sqlite:///{folder / file}", migrate=False)
    try:
        found = store.archive.notices(states=None, limit=100, after=None)
    finally:
        store.close()
    return [(each.slot, each.level, each.state, each.opened_at, each.panels_to_empty) for each in found]


def test_the_journal_of_a_running_program_is_exported_checked_and_replayed(factory: Factory) -> None:
    shift(factory)
    folder = factory.program.folder
    desk = Desk(folder, factory.config)
    code, out, said = desk.run("export", "day.jsonl.gz")
    assert (code, out) == (0, b"")
    assert said.startswith("exported ")
    packed = folder / "day.jsonl.gz"
    assert sorted(each.name for each in folder.glob("*day*")) == ["day.jsonl.gz"], "nothing is left beside it"

    recording = gzip.decompress(packed.read_bytes())
    *lines, manifest = recording.splitlines(keepends=True)
    plain = factory.api.get("/events").content.splitlines(keepends=True)
    assert lines[1:] == plain[1:]
    assert lines[0].replace(b',"sealed":true', b"") == plain[0]
    assert b'"type":"earlybell.manifest"' in manifest
    code, piped, _ = desk.run("export", "-")
    assert (code, piped) == (0, recording)
    assert factory.api.get("/events", params={"sealed": True}).content == recording

    code, out, _ = desk.run("export", "--check", "day.jsonl.gz")
    assert code == 0
    assert out.startswith(b"day.jsonl.gz: whole\n  %d entries of Hollerbach, from 20" % len(lines[1:]))
    assert b" Europe/Vienna\n" in out

    before = packed.read_bytes()
    code, _, said = desk.run("export", "day.jsonl.gz", "--from", "2026-03-01 03:00")
    assert (code, said) == (1, "earlybell: day.jsonl.gz: is there already; --force writes over it\n")
    assert packed.read_bytes() == before
    code, _, said = desk.run("export", "day.jsonl.gz", "--to", "2026-03-01 03:00", "--force")
    assert code == 0
    assert packed.read_bytes() != before
    assert desk.run("export", "none.jsonl", "--from", "noon")[::2] == (
        1,
        "earlybell: none.jsonl: --from: 'noon' is no time (such as 2026-03-01 03:00)\n",
    )

    (folder / "day.jsonl").write_bytes(recording)
    copy = Desk(folder, '[store]\nurl = "sqlite:///copy.db"')
    code, _, said = copy.run("replay", "day.jsonl")
    assert (code, "whole, as its manifest says: " in said) == (0, True)
    assert copy.run("replay", "day.jsonl")[0] == 1
    (folder / "cut.jsonl").write_bytes(b"".join(lines))
    code, _, said = copy.run("export", "--check", "cut.jsonl")
    assert (code, f"cut short after line {len(lines)}:" in said) == (1, True)
    (folder / "plain.jsonl").write_bytes(b"".join(plain))
    assert copy.run("export", "--check", "none")[2] == "earlybell: none: No such file or directory\n"
    code, _, said = copy.run("export", "--check", "plain.jsonl")
    assert (code, "without a manifest" in said) == (1, True)


def test_under_pseudonyms_no_name_leaves_the_house_and_the_same_happens(factory: Factory) -> None:
    shift(factory)
    folder = factory.program.folder
    desk = Desk(folder, factory.config)
    for name in ("one.jsonl", "other.jsonl"):
        assert desk.run("export", name, "--pseudonyms", "--key", "names.key")[0] == 0
    recording = (folder / "one.jsonl").read_bytes()
    assert (folder / "other.jsonl").read_bytes() == recording, "one key gives the same names"
    assert (folder / "names.key").stat().st_mode & 0o077 == 0, "only we read the key"
    for word in (b"MCU-48Q", b"Resi", b"Hollerbach", b"hook"):
        assert word not in recording
        assert word in factory.api.get("/events").content
    assert desk.run("export", "-", "--pseudonyms")[1] != recording, "a key of its own, else"
    code, out, _ = desk.run("export", "--check", "one.jsonl")
    assert (code, b"names are pseudonyms" in out) == (0, True)

    copy = Desk(folder, '[store]\nurl = "sqlite:///copy.db"')
    assert copy.run("replay", "one.jsonl")[0] == 0
    told = notices(folder, "earlybell.db")
    assert told
    assert notices(folder, "copy.db") == told

    (folder / "short.key").write_text("short")
    assert desk.run("export", "-", "--pseudonyms", "--key", "short.key")[2].startswith(
        "earlybell: -: --key: short.key: has fewer than 16 characters"
    )
    assert desk.run("export", "-", "--key", "names.key")[0] == 1
    assert desk.run("export", "-", "--from", "2026-03-02 06:00", "--to", "2026-03-01 06:00")[0] == 1


def test_the_figures_of_hours_come_as_a_sheet_that_no_spreadsheet_computes(tmp_path: Path) -> None:
    desk = Desk(tmp_path, '[store]\nurl = "sqlite:///hours.db"')
    store = open_store(f"sqlite:///{tmp_path}/hours.db", migrate=True)
    assert "there are no figures yet" in desk.run("export", "-", "--hours")[2]
    stood, cost = {"supply": 90_000, "rest": 10_000}, {"supply": 60_000, "rest": 500}
    station = StationHour(
        panels=7, placed=70, worked_ms=3_500_000, stood_ms=stood, stops={"supply": 2}, cost_ms=cost
    )
    for hour in range(3):
        figures = LineHour(line="=L3", begin=hour * HOUR, stations={"P1": station, "P2": StationHour()})
        store.hours.save(hour * HOUR, [figures], rolled=(hour + 1) * HOUR)
    store.close()
    code, out, said = desk.run("export", "-", "--hours", "--from", "1970-01-01 01:00")
    assert (code, said.partition(",")[0]) == (0, "exported the figures of 2 hours")
    rows = list(csv.DictReader(io.StringIO(out.decode(), newline="")))
    assert [(each["begin"], each["line"], each["station"]) for each in rows] == [
        (f"1970-01-01T0{hour}:00:00.000Z", "'=L3", station) for hour in (1, 2) for station in ("P1", "P2")
    ]
    assert list(rows[0].values())[3:] == ["7", "70", "", "3500.0", "100.0", "2", "60.5", "60.0"]
    assert list(rows[1].values())[3:6] == ["", "", ""], "what nobody knows is no nought"
