"""Every trouble of ``deploy/runbooks.md``: it shows as the page says, the page's own commands end it, nothing
is lost or doubled. One installation goes through most of them, one after the other."""

from __future__ import annotations

import json
import os
import re
import shutil
import sqlite3
import ssl
import subprocess
import time
from collections.abc import Iterator
from contextlib import ExitStack, closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
import yaml
from sqlalchemy import make_url, text

from service.commands import make_parser
from service.domain.model import SECOND
from service.store import open_store, upgrade
from service.store.rows import delivery_row
from service.store.statements import add_deliveries
from tests.contract.builders import delivery, opened
from tests.support.certificates import Authority
from tests.support.mosquitto import start_mosquitto
from tests.support.operated import DEPLOY, PAGE, Operated, section, steps
from tests.support.ports import free_port
from tests.support.postgres import shared_postgres
from tests.support.processes import LoadedProgram
from tests.support.receivers import Answer, HttpReceiver
from tests.support.small_disk import fill, mounted
from tests.support.tcp import Proxy
from tests.support.truth import Plant
from tests.support.wait import eventually

DAY = 24 * 3600
ANCHORS = (
    "service-down",
    "broker-away",
    "store-away",
    "disk-full",
    "outlet-failing",
    "backlog-growing",
    "clock-wrong",
    "notices-flood",
    "certificate-expires",
    "nobody-in-charge",
    "messages-refused",
    "broker-store-corrupt",
    "restore",
)


class Site(Operated):
    """A plant with two outlets for programs and one for people."""

    def __init__(self, folder: Path, home: Path, stack: ExitStack, store: str, **more: Any) -> None:
        self.hook = stack.enter_context(HttpReceiver())
        self.other = stack.enter_context(HttpReceiver())
        broker = start_mosquitto(folder)
        stack.callback(broker.remove)
        outlets = [
            ("hook", "webhook", self.hook),
            ("other", "webhook", self.other),
            ("chat", "chat", self.other),
        ]
        extra = "".join(
            f'[[outlet]]\nname = "{name}"\ntype = "{kind}"\nurl = "{receiver.url}"\n'
            for name, kind, receiver in outlets
        )
        self.plant = Plant(home, broker, store, extra=extra + '[[route]]\noutlets = ["hook", "other"]\n')
        stack.callback(self.plant.close)
        super().__init__(folder, program=self.plant.program, broker=broker, url=self.plant.url, **more)
        stack.callback(self.close)
        self.store, self.loads = store, 0
        self.plant.begin()
        self.plant.gateway.send("L/BELL/recipe", recipe="r", usage={"S": 1}, retain=True)

    def until_not_ready(self, *reasons: str) -> None:
        def said() -> bool:
            status, text = self.plant.readiness()
            return status == httpx.codes.SERVICE_UNAVAILABLE and all(each in text for each in reasons)

        eventually(said, timeout=30, message=lambda: f"{self.plant.readiness()} doesn't say {reasons}")

    def until_well(self) -> None:
        """Ready without anybody's doing, everything counted, and it goes on."""
        self.plant.program.wait_ready(self.plant.url)
        self.plant.publish(1)
        self.plant.must_agree()

    def ring(self, quantity: int = 5) -> None:
        """A supply that is as good as empty; more than a few: its refill."""
        self.loads += 1
        self.plant.gateway.send(
            "L/BELL/supply",
            id=f"load {self.loads}",
            slot="S",
            change="loaded",
            kind="tray",
            quantity=quantity,
        )

    def notices(self, kind: str, state: str = "open") -> list[dict[str, Any]]:
        answer = self.plant.http.get("/api/v1/notices", params={"state": state, "limit": 1000})
        return [each for each in answer.raise_for_status().json() if each["kind"] == kind]


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """On a disk of its own where one can be mounted."""
    folder = tmp_path_factory.mktemp("site")
    with ExitStack() as stack:
        home = folder / "home"
        stack.enter_context(mounted(home, megabytes=96))
        # Less patient with a lock than it is by itself, so that nobody waits for that here.
        yield Site(folder, home, stack, f"sqlite:///{home}/store.db?timeout=1")


def test_the_page_has_what_is_linked_to_and_every_trouble_is_rehearsed_here() -> None:
    headings = re.findall(r"^## (\S+)$", PAGE, re.MULTILINE)
    assert sorted(headings) == sorted(ANCHORS)
    for anchor in ANCHORS:
        for part in ("**Seen:**", "**Safe meanwhile:**", "**Over:**", "**Don't**"):
            assert part in section(anchor), f"{anchor} lacks {part}"
        assert steps(anchor)
        assert f'"{anchor}"' in Path(__file__).read_text(encoding="utf-8").partition("class Site")[2]
    assert set(re.findall(r"\]\(#([\w-]+)\)", PAGE)) <= set(ANCHORS)
    for file in re.findall(r"\]\((?!#|http)([^)]+)\)", PAGE):
        assert (DEPLOY / file).exists(), file


_FAKE_DOCKER = """\
#!/bin/sh
printf '%s\\n' "$*" >> {calls}
"""


def test_with_compose_the_same_words_name_services_and_commands_that_there_are(tmp_path: Path) -> None:
    """What an engine would be asked for; the steps themselves are the same."""
    calls = tmp_path / "calls"
    for name, script in (("docker", _FAKE_DOCKER.format(calls=calls)), ("systemctl", "#!/bin/sh\nexit 4\n")):
        (tmp_path / name).write_text(script)
        (tmp_path / name).chmod(0o755)
    (tmp_path / "earlybell-20260301T021500Z.db").touch()
    environment = {
        "PATH": f"{tmp_path}:{os.environ['PATH']}",
        "BELL_URL": f"http://127.0.0.1:{free_port()}",
        "BACKUPS": str(tmp_path),
    }
    blocks = [block for anchor in ANCHORS for block in steps(anchor)]
    blocks.append(re.findall(r"^15 2 \* \* \* cd .*?&& (\. .*)$", PAGE, re.MULTILINE)[0])
    script = "\n".join([". ./operate.sh", *blocks])
    subprocess.run(["sh", "-c", script], cwd=DEPLOY, env=environment, capture_output=True, check=False)
    services = yaml.safe_load((DEPLOY / "docker-compose.yml").read_text(encoding="utf-8"))["services"]
    commands = set()
    for call in calls.read_text(encoding="utf-8").splitlines():
        words = call.split()
        if words[0] == "info":  # where its disk is
            continue
        assert words[0] == "compose"
        if words[1] == "run":
            [service] = [word for word in words if word in ("earlybell", "broker")][:1]
            if service == "earlybell":
                known = make_parser().parse_args(words[words.index("earlybell") + 1 :])
                assert str(known.config) == "/etc/earlybell.toml"
                commands.add(known.command)
        elif words[1] == "logs":
            assert words[-1] in services
        else:
            assert words[1] in ("start", "stop", "restart")
            assert words[2] in services
    assert commands == {"check", "outlets", "prune", "backup", "restore"}


def test_systemd_finds_nothing_wrong_with_the_backups_units(tmp_path: Path) -> None:
    program = shutil.which("systemd-analyze")
    if program is None:
        pytest.skip("systemd isn't installed here: nothing judges its units")
    for name in ("earlybell-backup.service", "earlybell-backup.timer"):
        written = (DEPLOY / name).read_text(encoding="utf-8")
        (tmp_path / name).write_text(written.replace("/opt/earlybell/bin/earlybell", "/bin/true"))
    units = [str(each) for each in tmp_path.iterdir()]
    done = subprocess.run([program, "verify", *units], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_service_down(site: Site) -> None:
    site.program.kill()
    site.plant.publish(3)
    assert "Failed to connect" in site.sh("ask /healthz")
    settings = site.plant.folder / "earlybell.toml"
    good = settings.read_text()
    settings.write_text(good.replace("[web]", "[wep]"))
    site.program.start()
    assert site.program.wait() == 1
    said = site.sh("\n".join(steps("service-down")[0].splitlines()[:2]))
    assert "earlybell: " in said
    assert said.count("did you mean web?") == 2, "the log names it, and so does check"
    settings.write_text(good)
    site.follow("service-down")
    site.program.wait_ready(site.plant.url)
    assert '{"ready":true,"reasons":[]}' in site.sh("ask /readyz")
    site.until_well()


def test_broker_away(site: Site) -> None:
    site.broker.stop()
    site.until_not_ready("broker: ")
    eventually(lambda: "can't reach the broker" in site.sh("ask /readyz"), timeout=15)
    eventually(lambda: site.plant.metric("earlybell_broker_connected") == 0, timeout=10)
    assert "earlybell_source_connected" in section("broker-away")
    site.log_says("broker_trouble")
    said = site.follow("broker-away")
    assert "lets us in" in said
    site.until_well()
    site.log_says("broker_connected")


def test_disk_full(site: Site) -> None:
    if not os.path.ismount(site.plant.folder):
        pytest.skip("a small disk needs a mount, and only root may mount")
    with closing(sqlite3.connect(site.plant.folder / "store.db")) as shell:
        shell.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # what is in there would be written over for a while
    stuffing = fill(site.plant.folder)
    site.plant.publish(5)
    site.until_not_ready("store: the store can't be written", "disk is full")
    assert site.plant.metric("earlybell_store_free_bytes") < 2**20
    stuffing.unlink()
    said = site.follow("disk-full")
    assert "would go: what is older than" in said
    assert "gone: what is older than" in said
    assert "journal: 0 rows" in said
    site.until_well()
    assert "MB smaller" in site.follow("disk-full", 1)
    site.until_well()


def test_outlet_failing(site: Site) -> None:
    site.hook.answer(then=Answer(status=410))
    site.ring()
    (notice,) = eventually(lambda: site.notices("outlet"), timeout=20)
    assert "takes no messages any more" in notice["message"]
    eventually(lambda: site.plant.metric("earlybell_outbox_deliveries") == 1, timeout=10)
    said = site.follow("outlet-failing")
    assert re.search(r"^hook: webhook.*1 dead$", said, re.MULTILINE), said
    assert "hook: not delivered, answered 410 Gone" in said
    assert "other: delivered" in said
    site.hook.answer()
    (dead,) = json.loads(site.follow("outlet-failing", 1))
    again = site.plant.http.post(f"/api/v1/deliveries/{dead['id']}/again", json={"by": "Ada"})
    assert again.status_code == httpx.codes.OK
    eventually(lambda: not site.plant.metric("earlybell_outbox_deliveries"), timeout=20)
    assert re.search(r"^hook: webhook.*; well", site.sh("bell outlets"), re.MULTILINE)
    site.log_says("delivery")
    site.ring(1_000_000)


def test_backlog_growing(site: Site) -> None:
    with closing(sqlite3.connect(site.plant.folder / "store.db", isolation_level=None)) as shell:
        shell.execute("BEGIN IMMEDIATE")
        messages = [
            (f"L/{station}/count", site.plant.message(station, 1))
            for _ in range(600)
            for station in site.plant.seq
        ]
        site.plant.gateway.send_all(messages)
        site.until_not_ready("backlog: ", " messages wait")
        eventually(lambda: site.plant.metric("earlybell_inbound_waiting") > 500, timeout=10)
        (waiting,) = re.findall(
            r"^earlybell_inbound_waiting (\S+)$", site.follow("backlog-growing"), re.MULTILINE
        )
        assert float(waiting) > 500
        site.until_not_ready("store: the store can't be written", "locked")
        shell.execute("ROLLBACK")
    site.until_well()
    eventually(lambda: site.plant.metric("earlybell_inbound_waiting") < 10, timeout=10)


def test_clock_wrong(site: Site) -> None:
    def say(at: datetime, seq: int) -> bool:
        site.plant.gateway.send(
            "L/CLOCK/count", at=at.isoformat(), session="c", seq=seq, panels=seq, slots={}
        )
        eventually(lambda: "CLOCK" in site.plant.stations(), timeout=10)
        return bool(site.plant.stations()["CLOCK"]["clock_flagged"])

    tomorrow = datetime.now(UTC) + timedelta(days=1)
    assert eventually(lambda: say(tomorrow, 1), timeout=10)
    eventually(lambda: site.plant.metric("earlybell_source_clocks_doubted") == 1, timeout=10)
    assert "clocks of stations that aren't believed: L/CLOCK" in site.follow("clock-wrong")
    eventually(lambda: not say(datetime.now(UTC), 2), timeout=10, message="the mark stays")
    eventually(lambda: site.plant.metric("earlybell_source_clocks_doubted") == 0, timeout=10)


def test_notices_flood(site: Site) -> None:
    now, sent = time.time_ns() // 1000, 12
    rows = [
        delivery_row(
            delivery(f"flood{n}", f"f{n}:chat", about=opened(f"f{n}", line="L", station="P", slot="S"))
        )
        for n in range(sent)
    ]
    store = open_store(site.store, migrate=False)
    with closing(store):

        def add(connection: Any) -> None:
            add_deliveries(connection, rows)
            connection.execute(
                text("UPDATE outbox SET state = 'sent', settled_at = :now - id WHERE key LIKE 'flood%'"),
                {"now": now - 30 * SECOND},
            )

        store.database.write(add)
        assert site.plant.metric("earlybell_message_flood") == 1
        said = json.loads(site.follow("notices-flood"))
        assert [(each["who"], each["messages"]) for each in said["people"]] == [("chat", sent)]
        assert {"frequent", "chattering"} <= said.keys()
        aged = text("UPDATE outbox SET settled_at = settled_at - 600000000 WHERE key LIKE 'flood_'")
        store.database.write(lambda connection: connection.execute(aged))
    eventually(lambda: site.plant.metric("earlybell_message_flood") == 0, timeout=20, message="it stays")


def test_nobody_in_charge(site: Site) -> None:
    home = site.plant.folder / "second"
    home.mkdir()
    config = (site.plant.folder / "earlybell.toml").read_text()
    port = free_port()
    config = re.sub(r"\[web\]\nport = \d+", f"[web]\nport = {port}", config)
    second = LoadedProgram(home, "run", config=f'[site]\ninstance = "second"\n{config}')
    site.program.kill()
    try:
        second.start()

        def stands_by() -> str:
            answer = httpx.get(f"http://127.0.0.1:{port}/readyz", trust_env=False)
            return answer.text if "is in charge until" in answer.text else ""

        assert "standing by: " in eventually(
            stands_by, timeout=20, message=second.tail, ignoring=(httpx.TransportError,)
        )
        assert (
            "earlybell_in_charge 0.0" in httpx.get(f"http://127.0.0.1:{port}/metrics", trust_env=False).text
        )
        before = site.follow("nobody-in-charge")
        terms = [int(each) for each in re.findall(r'"term": ?(\d+)', before)]
        site.follow("nobody-in-charge", 1)
        site.until_well()
        after = site.sh(steps("nobody-in-charge")[0].splitlines()[1])
        assert [int(each) for each in re.findall(r'"term": ?(\d+)', after)][-1] == terms[-1] + 1
        assert stands_by()
        assert second.stop() == 0
    finally:
        second.remove()


def test_messages_refused(site: Site) -> None:
    before = site.plant.metric("earlybell_messages_refused_total")
    for number in range(6):
        site.plant.gateway.send("L/BELL/count", session="w", seq=number, slots={"S": {"placed": -1 - number}})
    (notice,) = eventually(lambda: site.notices("refused"), timeout=10)
    assert "BELL" in notice["message"]
    eventually(lambda: site.plant.metric("earlybell_messages_refused_total") == before + 6)
    rows = json.loads(site.follow("messages-refused"))
    assert {each["topic"] for each in rows} == {"floor/L/BELL/count"}
    assert all("placed" in each["reason"] for each in rows)
    assert site.plant.metric("earlybell_messages_refused_total") == before + 6
    site.until_well()


def test_broker_store_corrupt(site: Site) -> None:
    lost = site.plant.metric("earlybell_broker_sessions_lost_total")
    site.broker.stop()
    (site.broker.folder / "mosquitto.db").write_bytes(os.urandom(4000))
    assert "failed" in site.sh("unit start broker")
    assert re.search("Corrupt|Couldn't open database|restoring persistent", site.broker.log())
    said = site.follow("broker-store-corrupt")
    site.program.wait_ready(site.plant.url)
    assert (site.broker.folder / "mosquitto.db.broken").exists()
    assert "failed" not in said
    site.log_says("broker_session_lost")
    assert site.plant.metric("earlybell_broker_sessions_lost_total") == lost + 1
    site.until_well()


def test_restore(site: Site) -> None:
    """What was said and told between backup and restore."""
    plant = site.plant
    site.until_well()
    assert "checked" in site.sh('bell backup "$BACKUPS" --keep 14')
    saved = dict(plant.seq)
    before = len(events(site.hook))
    site.ring()
    told = eventually(
        lambda: [each for each in events(site.hook)[before:] if each[2] == "open"][:1], timeout=20
    )
    plant.gateway.send("L/BELL/recipe", recipe="new", usage={"S": 2}, retain=True)
    plant.publish(4)
    plant.until_counted()
    plant.program.stop()  # with all of it acknowledged: what a crash left at the broker would fill the hole
    plant.publish(2)

    assert "in use" not in (said := site.follow("restore")), said
    plant.program.wait_ready(plant.url)
    assert "checked" in said
    assert "the store before is kept as" in said
    plant.listen("earlybell/+/+/resend")
    plant.publish(1)
    plant.until_counted()
    assert plant.left()["TOTAL"] == plant.books.left()["TOTAL"], "totals heal by themselves"
    assert plant.left()["DELTA"] > plant.books.left()["DELTA"], "what is missing isn't made up"
    assert plant.stations()["DELTA"]["uncertain_since"] is not None
    wanted = eventually(lambda: plant.gateway.last("earlybell/L/DELTA/resend"), timeout=15)
    assert (wanted["from"], wanted["to"]) == (saved["DELTA"] + 1, saved["DELTA"] + 4)
    answer_again(plant, wanted["from"], wanted["to"])
    plant.must_agree()
    site.log_says("resend_asked")

    recipe = eventually(
        lambda: next(each for each in plant.slots() if each["station"] == "BELL")["usage_per_panel"] == 2
    )
    assert recipe, "what the broker retains is heard again"
    site.loads -= 1
    site.ring()
    eventually(lambda: len({each[:2] for each in events(site.hook)}) and site.notices("supply"), timeout=20)
    again = eventually(
        lambda: [each for each in events(site.hook) if each[:2] == told[0][:2]][1:], timeout=20
    )
    assert {each[3] for each in again} == {told[0][3]}, "told again under its old id"


def events(hook: HttpReceiver) -> list[tuple[str, int, str, str]]:
    return [
        (
            each.json["data"]["id"],
            each.json["data"]["version"],
            each.json["data"]["state"],
            each.headers["webhook-id"],
        )
        for each in hook.received.all()
        if each.json["data"]["kind"] == "supply"
    ]


def answer_again(plant: Plant, first: int, last: int) -> None:
    """As a gateway does that keeps what it said."""
    for line in (plant.folder / "books").read_text().splitlines():
        topic, body = json.loads(line)
        if topic == "count/DELTA" and first <= body["seq"] <= last:
            plant.gateway.send("L/DELTA/count", **body)


def test_store_away(tmp_path: Path) -> None:
    server = shared_postgres()
    name = server.create()
    store = server.url(name)
    upgrade(store)
    url = make_url(store)
    with ExitStack() as stack:
        stack.callback(server.drop, name)
        wire = stack.enter_context(Proxy(url.port or 5432))
        through = url.set(host="127.0.0.1", port=wire.port).render_as_string(hide_password=False)
        home = tmp_path / "home"
        home.mkdir()
        site = Site(tmp_path, home, stack, through, units={"postgresql": lambda _: wire.heal()})
        wire.refuse()
        wire.cut()
        site.plant.publish(3)
        site.until_not_ready("store: ")
        eventually(lambda: site.plant.metric("earlybell_store_reachable") == 0, timeout=10)
        said = site.follow("store-away")
        assert "lets us in" in said
        if not site.program.running:  # it was away for too long to be sure; systemd starts it again
            site.log_says("deposed")
            site.program.start()
        site.until_well()


def test_certificate_expires(site: Site, tmp_path: Path) -> None:
    authority = Authority(tmp_path)
    shown, renewed = authority.sign(days=5), authority.sign(days=90)
    port = free_port()
    program = LoadedProgram(
        tmp_path,
        "run",
        config=f"""
[mqtt]
url = "{site.broker.url}"
client_id = "tls"
[web]
port = {port}
tls_cert = "{shown.cert}"
tls_key = "{shown.key}"
""",
    )
    url = f"https://127.0.0.1:{port}"
    with Operated(tmp_path, program=program, broker=site.broker, url=url) as operated:
        try:
            program.start()
            program.wait_for_log('"in_charge"')
            context = ssl.create_default_context(cafile=authority.ca_file)
            metrics = httpx.get(f"{url}/metrics", verify=context, trust_env=False).text
            (ends,) = re.findall(
                r"^earlybell_certificate_expires_timestamp_seconds.* (\S+)$", metrics, re.MULTILINE
            )
            assert 4 * DAY < float(ends) - time.time() < 5 * DAY
            assert re.search(r"of the page .*good for 4 more days", operated.follow("certificate-expires"))
            for new, old in zip((renewed.cert, renewed.key), (shown.cert, shown.key), strict=True):
                shutil.copy(new, old)
            program.wait_for_log('"certificate_renewed"')
            assert re.search(
                r"of the page .*good until .*\(89 days\)", operated.follow("certificate-expires")
            )
        finally:
            program.remove()
