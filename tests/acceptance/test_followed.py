"""One run with much in it, read as an operator reads it: from a message to each delivery, from a request to
what it did, every metric fed, nothing secret in the log."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from contextlib import ExitStack
from typing import Any, NamedTuple

import httpx
import pytest
from prometheus_client.parser import text_string_to_metric_families

from service.telemetry import Metrics
from service.telemetry.actions import ACTIONS
from service.telemetry.sparing import MOST
from tests.acceptance.test_access import bearer, command
from tests.support.factory import Factory, Json
from tests.support.phones import Handset
from tests.support.receivers import Answer, HttpReceiver
from tests.support.wait import eventually
from tests.unit.test_report import RARELY

StartFactory = Callable[..., Factory]
PASSWORD = "eine lange Losung 4711"
FLOOD = 300


class Run(NamedTuple):
    log: list[Json]
    """The lines, in order."""
    text: str
    metrics: dict[str, list[tuple[dict[str, str], float]]]
    """The samples of each metric by its name."""
    secrets: dict[str, str]
    taken: Json
    """The notice that a request with the id ``call-42`` took."""
    events: list[Json]

    def said(self, word: str, **fields: Any) -> list[Json]:
        return [
            line
            for line in self.log
            if line["action"] == word and all(line.get(name) == value for name, value in fields.items())
        ]


def warn(factory: Factory, session: str = "a", slot: str = "T1") -> None:
    """A full life: loaded short, warned of, run empty, loaded anew."""
    for seq, panels in enumerate((0, 40, 50, 51, 52), 1):
        if seq == 2:
            loaded: Json = {"slot": slot, "change": "loaded", "kind": "tray", "part": "MCU-48Q"}
            factory.gateway.send("L1/P1/supply", id=f"{session}1", quantity=52, **loaded)
        counted: Json = {"slots": {slot: {"placed": panels, "lost": 0}}}
        factory.gateway.send("L1/P1/count", session=session, seq=seq, panels=panels, **counted)
        if seq > 1:
            factory.until_counted("L1", slot, seq=seq)


def disturb(factory: Factory) -> None:
    """What an operator would rather not see."""
    gateway = factory.gateway
    gateway.send("L1/P2/count", session="b", seq=1, panels=0, slots={"T9": {"placed": 0}})
    gateway.send("L1/P2/count", session="b", seq=9, panels=4, slots={"T9": {"placed": 4}})
    gateway.send("L1/P3/count", at="2001-01-01T00:00:00Z", session="c", seq=1, panels=0, slots={})
    gateway.send_raw("floor/L1/P1/count", b"not json")
    gateway.send_all([(f"L2/P{number}/supply", {"slot": ""}) for number in range(FLOOD)])


def people(factory: Factory, pushes: HttpReceiver) -> dict[str, str]:
    """From now on who asks must say who they are: the secrets by which they do."""
    made = command(factory.program, "account", "Mira", "--role", "act", said=PASSWORD + "\n")
    assert made.returncode == 0, made.stderr
    secret = command(factory.program, "token", "gate", "--role", "admin", "--for-others").stdout.strip()
    factory.api.headers.update(bearer(secret))
    with httpx.Client(base_url=factory.url, trust_env=False) as browser:
        form = {"name": "mira", "password": PASSWORD, "next": "/"}
        browser.post("/sign-in", data=form, headers={"origin": factory.url})
        session = browser.cookies["earlybell"]
        assert browser.get("/api/v1/lines?key=in-the-query").status_code == 200
    wrong = bearer("eb_" + "w" * 43)
    assert httpx.post(f"{factory.url}/api/v1/care", headers=wrong, trust_env=False).status_code == 401
    handset = Handset(f"http://127.0.0.1:{pushes.port}/send/an-endpoint-of-miras")
    asked = {"by": "Mira", "outlet": "phones", "endpoint": handset.subscription["endpoint"]}
    factory.api.post("/phones", json=asked | handset.subscription["keys"]).raise_for_status()
    return {
        "password": PASSWORD,
        "token": secret,
        "session": session,
        "wrong token": "w" * 43,
        "endpoint": "an-endpoint-of-miras",
        "phone's key": handset.subscription["keys"]["auth"],
        "query": "in-the-query",
    }


def read(metrics: str) -> dict[str, list[tuple[dict[str, str], float]]]:
    found: dict[str, list[tuple[dict[str, str], float]]] = {}
    for family in text_string_to_metric_families(metrics):
        for sample in family.samples:
            found.setdefault(sample.name, []).append((sample.labels, sample.value))
    return found


def fed(metrics: dict[str, list[tuple[dict[str, str], float]]]) -> set[str]:
    """Those that have anything but zeros."""
    return {
        each.name
        for each in Metrics.declared()
        if any(value > 0 for _, value in metrics.get(each.name + ("_count" if each.buckets else ""), []))
    }


def all_lines(text: str) -> list[Json]:
    return [json.loads(line) for line in text.splitlines() if line.startswith("{")]


def play(start_factory: StartFactory) -> Run:
    with ExitStack() as stack:
        pushes = stack.enter_context(HttpReceiver(then=Answer(status=201)))
        gone = stack.enter_context(HttpReceiver(then=Answer(status=410)))
        away = stack.enter_context(HttpReceiver(then=Answer(status=503)))
        monitor = stack.enter_context(HttpReceiver())
        extra = (
            f'[[outlet]]\nname = "phones"\ntype = "push"\nservices = "http://127.0.0.1:{pushes.port}"\n'
            f'[[outlet]]\nname = "gone"\ntype = "webhook"\nurl = "{gone.url}?key=canary-gone"\n'
            f'[[outlet]]\nname = "away"\ntype = "webhook"\nurl = "{away.url}?key=canary-away"\n'
            f'[heartbeat]\nurl = "{monitor.url}/canary-monitor"\n'
        )
        factory = start_factory(extra=extra)
        secrets = people(factory, pushes)
        listening = stack.enter_context(factory.api.stream("GET", "/stream"))
        assert listening.status_code == 200
        factory.gateway.send("L1/P1/recipe", recipe="r", usage={"T1": 1})
        factory.gateway.send("L1/order", order="o", recipe="r", panels=500, state="running")
        warn(factory)
        factory.wait_told("opened", "urgent", within=20)
        (notice,) = (each for each in factory.get("/notices") if each["kind"] == "supply")
        by = factory.api.post(
            f"/notices/{notice['id']}/take", json={"by": "Ida"}, headers={"X-Request-ID": "call-42"}
        )
        assert (by.status_code, by.headers["x-request-id"]) == (200, "call-42")
        factory.gateway.send("L1/P1/supply", id="2", slot="T1", change="loaded", kind="tray", quantity=9)
        disturb(factory)

        def tell() -> str:
            return factory.api.get(f"{factory.url}/metrics").raise_for_status().text

        missing = {each.name for each in Metrics.declared()} - RARELY
        factory.broker.kill()
        factory.program.wait_for_log("broker_trouble")
        factory.broker.start()
        factory.program.wait_for_log("broker_session_lost")
        eventually(
            lambda: fed(read(tell())) >= missing,
            timeout=20,
            message=lambda: f"never fed: {missing - fed(read(tell()))}\n{factory.program.tail()}",
        )
        metrics = read(tell())
        events = [json.loads(line) for line in factory.api.get("/events").text.splitlines()]
        letters = " ".join(str(each.message) for each in factory.mail.received.all()).replace("=\n", "")
        keys = set(re.findall(r"el_[\w-]{43}", letters))
        assert keys
        secrets |= {f"key {number}": key for number, key in enumerate(keys)}
        secrets |= {name: f"canary-{name}" for name in ("gone", "away", "monitor")}
        assert factory.program.stop() == 0
        text = factory.program.log()
    return Run(all_lines(text), text, metrics, secrets, notice, events)


_played: list[Run] = []


@pytest.fixture
def run(request: pytest.FixtureRequest) -> Run:
    """The one run of this file."""
    if not _played:
        _played.append(play(request.getfixturevalue("start_factory")))
    return _played[0]


def test_from_a_message_to_each_delivery_by_one_id(run: Run) -> None:
    (opened,) = run.said("notice", notice=run.taken["id"], change="opened")
    where = ("event_kind", "subject", "topic", "source", "line", "station", "slot")
    assert [opened[name] for name in where] == [
        "count", "L1/P1", "floor/L1/P1/count", "mqtt", "L1", "P1", "T1",
    ]  # fmt: skip
    (entry,) = (each for each in run.events if each["id"] == str(opened["event_id"]))
    assert (entry["subject"], entry["type"]) == ("L1/P1", "earlybell.floor.count")
    assert (entry["data"]["session"], entry["data"]["seq"]) == (opened["session"], opened["seq"])
    assert len(opened["deliveries"]) == 5
    told = run.said("delivery", notice=run.taken["id"])
    assert set(opened["deliveries"]) <= {line["delivery"] for line in told}
    by_outlet = {line["outlet"]: line for line in told if line["delivery"] in opened["deliveries"]}
    outcomes = {name: line["outcome"] for name, line in by_outlet.items() if name != "away"}
    assert outcomes == {"hook": "sent", "mail": "sent", "phones": "sent", "gone": "dead"}
    assert all(line["age"] >= 0 and line["attempts"] >= 1 for line in told if line["outcome"] == "sent")


def test_an_attempt_that_failed_says_why_and_comes_again_under_the_same_key(run: Run) -> None:
    failed = run.said("delivery", outlet="away", outcome="waiting")
    assert failed
    assert all("503" in line["error"] and line["level"] == "warning" for line in failed)
    keys = [line["delivery"] for line in failed]
    assert len(keys) > len(set(keys)), "nothing was tried again"


def test_from_a_request_to_what_it_did(run: Run) -> None:
    (asked,) = run.said("request", request="call-42")
    assert (asked["method"], asked["path"]) == ("POST", f"/api/v1/notices/{run.taken['id']}/take")
    assert (asked["who"], asked["who_kind"], asked["by"], asked["answer"]) == ("gate", "token", "Ida", 200)
    (entered,) = run.said("entered", request="call-42")
    (entry,) = (each for each in run.events if each["id"] == str(entered["event_id"]))
    assert (entry["type"], entry["data"]["action"], entry["data"]["by"]) == (
        "earlybell.person",
        "take",
        "Ida",
    )
    (changed,) = run.said("notice", request="call-42")
    assert (changed["notice"], changed["event_id"]) == (run.taken["id"], entered["event_id"])


def test_what_is_refused_says_topic_reason_and_source_and_a_flood_of_it_stays_small(run: Run) -> None:
    (bad,) = run.said("refused", topic="floor/L1/P1/count")
    assert (bad["source"], bad["times"]) == ("mqtt", 1)
    assert "JSON" in bad["reason"]
    assert len(run.said("refused")) == MOST
    ((_, refused),) = run.metrics["earlybell_messages_refused_total"]
    assert refused >= FLOOD


def test_who_is_turned_away_is_said(run: Run) -> None:
    (away,) = run.said("request_refused", answer=401)
    assert (away["method"], away["who"], away["times"]) == ("POST", None, 1)
    assert away["address"] == "127.0.0.1"


def test_every_line_is_in_the_table_with_its_level_and_fields(run: Run) -> None:
    for line in run.log:
        declared = ACTIONS[line["action"]]
        assert line["level"] in declared.levels, line
        assert line.keys() <= {"at", "level", "action", "request", *declared.fields}, line
    assert run.said("report_failed") == []
    assert len(run.log) < 200


def test_nothing_secret_is_in_the_log(run: Run) -> None:
    assert len(run.secrets) >= 11
    assert [name for name, secret in run.secrets.items() if secret in run.text] == []


def test_every_metric_is_fed_but_for_what_a_run_rarely_has(run: Run) -> None:
    declared = {each.name for each in Metrics.declared()}
    assert declared >= RARELY
    assert fed(run.metrics) >= declared - RARELY


def test_every_label_has_a_value_that_was_declared(run: Run) -> None:
    configured = {
        "outlet": {"hook", "mail", "phones", "gone", "away"},
        "source": {"mqtt"},
    }
    for each in Metrics.declared():
        for name in (each.name, each.name + "_count"):
            for labels, _ in run.metrics.get(name, []):
                assert labels.keys() == {label.name for label in each.labels}, name
                for label in each.labels:
                    values = set(label.values) or configured.get(label.name) or {labels[label.name]}
                    assert labels[label.name] in values, (name, labels)
