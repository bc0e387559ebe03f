"""What a check-up makes of what it was told, where nothing real can be made to say it."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from service.checkup import State
from service.checkup.brokers import _broker_itself, _limits
from service.checkup.finding import good, look, worst, wrong
from service.checkup.stores import server
from service.checkup.versions import installed, libraries, lock_file, python
from service.commands.checked import table
from service.mqtt.visit import DROPPED, VERSION, Granted
from tests.support.checked import has, told

TODAY = date(2026, 11, 27)


@pytest.mark.parametrize(
    ("version", "state", "text"),
    [
        ((3, 10, 14), State.WRONG, "Python 3.10.14 is too old → use Python 3.11 or newer"),
        ((3, 11, 7), State.LOOK, "lacks fixes for addresses and mail headers"),
        ((3, 11, 10), State.GOOD, "Python 3.11.10"),
        ((3, 14, 0), State.GOOD, "Python 3.14.0"),
    ],
)  # fmt: skip
def test_a_python_that_is_too_old_or_lacks_fixes_is_told(
    version: tuple[int, ...], state: State, text: str
) -> None:
    assert has(list(python(version, TODAY)), state, text)


def test_a_python_whose_fixes_have_ended_is_told() -> None:
    assert has(list(python((3, 11, 12), date(2027, 11, 1))), State.LOOK, "gets no more security fixes")


def test_the_libraries_here_are_those_of_the_lock_file() -> None:
    lock = lock_file()
    assert lock is not None
    (found,) = libraries(lock, installed())
    assert (found.state, "libraries as they were tested" in found.found) == (State.GOOD, True)


def test_libraries_that_are_missing_or_others_than_were_tested_are_told(tmp_path: Path) -> None:
    lock = tmp_path / "requirements.lock"
    lock.write_text(
        "One_Thing==1.2 \\\n    --hash=sha256:00\ntwo==2.0\nthree==3\nelsewhere==4 ; os_name == 'nt'\n"
    )
    found = list(libraries(lock, {"one-thing": "1.2", "two": "2.1"}))
    assert told(found, State.WRONG) == ["not installed: three → install from the lock file again"]
    assert has(found, State.LOOK, "other versions than were tested: two 2.1 (tested: 2.0)")


def test_without_the_lock_file_what_the_package_asks_for_must_be_there() -> None:
    here = dict(installed())
    assert has(list(libraries(None, here)), State.GOOD, "are there; the lock file isn't, to compare versions")
    del here["sqlalchemy"]
    assert has(list(libraries(None, here)), State.WRONG, "not installed: sqlalchemy")


@pytest.mark.parametrize(
    ("limits", "state", "text"),
    [
        ({"SessionExpiryInterval": 3600}, State.LOOK, "remembers us for 1 h at most"),
        ({"SessionExpiryInterval": 0}, State.LOOK, "remembers us for 0 h at most"),
        ({"MaximumQoS": 0}, State.WRONG, "offers no QoS 1"),
        ({"WildcardSubscriptionAvailable": 0}, State.WRONG, "takes no wildcards"),
        ({"ReceiveMaximum": 20}, State.GOOD, "its limits: 20 messages at once"),
    ],
)
def test_what_a_brokers_greeting_limits_is_told(limits: dict[str, int], state: State, text: str) -> None:
    assert has(list(_limits("broker", Granted(limits=limits), lasting=True)), state, text)


def test_a_source_that_may_not_be_remembered_is_not_told_so() -> None:
    granted = Granted(limits={"SessionExpiryInterval": 0})
    assert list(_limits("source", granted, lasting=False)) == []


@pytest.mark.parametrize(
    ("version", "state"),
    [
        ("mosquitto version 2.0.11", State.LOOK),
        ("mosquitto version 1.6.12", State.LOOK),
        ("mosquitto version 2.0.22", State.GOOD),
        ("mosquitto version 2.1.2", State.GOOD),
        ("another broker 5.8", State.GOOD),
    ],
)
def test_a_broker_whose_limits_are_not_kept_is_told(version: str, state: State) -> None:
    found = list(_broker_itself("broker", Granted(said={VERSION: version, DROPPED: "0"})))
    assert [each.state for each in found] == [state]


def test_messages_that_a_broker_has_dropped_are_told() -> None:
    found = list(_broker_itself("broker", Granted(said={DROPPED: "500"})))
    assert has(found, State.LOOK, "it has dropped 500 messages since it started → raise its limits")


SAID = {
    "server_version_num": "180003",
    "server_encoding": "UTF8",
    "fsync": "on",
    "max_connections": "100",
    "default_transaction_read_only": "off",
}


@pytest.mark.parametrize(
    ("said", "used", "state", "text"),
    [
        ({}, 10, State.GOOD, "PostgreSQL 18.3, UTF8, 5.0 MB"),
        ({"server_version_num": "130004"}, 10, State.LOOK, "PostgreSQL 13.4 gets no more fixes"),
        ({"server_version_num": "140020"}, 10, State.GOOD, "PostgreSQL 14.20"),
        ({"server_encoding": "SQL_ASCII"}, 10, State.WRONG, "its encoding is SQL_ASCII"),
        ({}, 95, State.LOOK, "95 of 100 connections are in use"),
    ],
)
def test_what_a_database_server_says_of_itself_is_judged(
    said: dict[str, str], used: int, state: State, text: str
) -> None:
    assert has(list(server(SAID | said, TODAY, size=5_000_000, used=used, stands_by=False)), state, text)


def test_a_database_whose_fixes_have_ended_is_told_from_the_month_after() -> None:
    for today, ended in ((TODAY, False), (date(2026, 12, 1), True)):
        said = SAID | {"server_version_num": "140020"}
        found = list(server(said, today, size=1, used=1, stands_by=False))
        assert has(found, State.LOOK, "PostgreSQL 14.20 gets no more fixes") is ended


def test_a_server_that_follows_another_is_told() -> None:
    found = list(server(SAID, TODAY, size=1, used=1, stands_by=True))
    assert has(found, State.WRONG, "it may only be read")


def test_the_worst_finding_decides() -> None:
    assert worst([]) == State.GOOD
    assert worst([good("a", "x"), look("a", "y")]) == State.LOOK
    assert worst([wrong("a", "z", "mend it"), look("a", "y")]) == State.WRONG


def test_the_table_has_a_row_a_finding_and_below_it_what_to_do() -> None:
    found = [good("store", "revision 0009"), wrong("outlet chat", "its name isn't known", "correct it")]
    assert list(table(found, 200)) == [
        "good   store        revision 0009",
        "wrong  outlet chat  its name isn't known",
        "                    → correct it",
    ]
    narrow = list(table([look("clock", "one two three four five six seven eight nine")], 45))
    assert narrow == ["look   clock  one two three four five six", "              seven eight nine"]
