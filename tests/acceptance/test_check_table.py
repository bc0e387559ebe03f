"""``earlybell check`` as people and programs use it: beside a service that runs, and without one."""

from __future__ import annotations

import json
import re
from pathlib import Path

import httpx

from tests.acceptance.test_access import command
from tests.support.factory import Factory
from tests.support.mosquitto import Mosquitto
from tests.support.ports import free_port
from tests.support.processes import StartProgram


def test_a_service_that_runs_is_looked_at_and_goes_on_undisturbed(factory: Factory) -> None:
    factory.gateway.send("L3/P1/count", session="a", seq=1, panels=0, slots={"T2": {"placed": 0}})
    factory.until_counted("L3", "T2", seq=1)
    done = command(factory.program, "check")
    assert done.returncode == 0, done.stdout + done.stderr
    for row in (
        r"good +broker +127\.0\.0\.1:\d+ lets us in, to hear floor/#, and to publish",
        r"good +store +in charge: \S+ \(term 1\)",
        r"good +page +served at http://127\.0\.0\.1:\d+, the service is ready",
        r"good +outlet \S+ +127\.0\.0\.1 is reached in plain text; nothing was sent",
    ):
        assert re.search(row, done.stdout), (row, done.stdout)
    assert "wrong" not in {line.partition(" ")[0] for line in done.stdout.splitlines()}
    # The service's connection was left alone, and what we published under its root is nobody's notice.
    assert factory.program.log().count("broker_connected") == 1
    assert factory.hook.received.all() == []
    assert httpx.get(f"{factory.url}/readyz", trust_env=False).status_code == 200


def test_what_is_wrong_makes_it_exit_1_and_is_counted_for_people_and_told_to_programs(
    start_program: StartProgram,
) -> None:
    config = f'[mqtt]\nurl = "mqtt://127.0.0.1:{free_port()}"\n'
    program = start_program("check", "--json", config=config)
    assert program.wait() == 1
    said, counted = program.log().strip().splitlines()
    assert re.fullmatch(r"earlybell: 1 of \d+ findings is wrong", counted)
    told = json.loads(said)
    assert told["state"] == "wrong"
    assert {"area", "state", "found", "to_do"} == set(told["findings"][0])
    (wrong,) = (each for each in told["findings"] if each["state"] == "wrong")
    assert (wrong["area"], wrong["to_do"].partition(",")[0]) == ("broker", "start the broker")


def test_a_configuration_that_does_not_fit_is_told_to_programs_too(start_program: StartProgram) -> None:
    program = start_program("check", "--json", config='[mqtt]\nurll = "x"\n[warn]\nchance = 2\n')
    assert program.wait() == 1
    findings = json.loads(program.log().splitlines()[0])["findings"]
    assert [(each["area"], each["state"]) for each in findings] == [("configuration", "wrong")] * 2


def test_without_a_store_it_makes_none(start_program: StartProgram, broker: Mosquitto) -> None:
    program = start_program("check", config=f'[mqtt]\nurl = "{broker.url}"\n')
    assert program.wait() == 0, program.log()
    assert "isn't there yet" in program.log()
    assert not list(Path(program.folder).glob("*.db*"))
