"""Which sources aren't heard: told after a minute or its own patience, and ended by a word."""

from __future__ import annotations

from service.domain.events import GatewayReport
from service.domain.model import SECOND
from service.usecases.reach import AWAY, Reach
from tests.support.story import START


class Watch:
    """Looks once a second; ``told`` is what the last ``later`` brought."""

    def __init__(self, *, silent: tuple[str, ...] = (), **quiet_after: float | None) -> None:
        self.reach = Reach({"": None, **quiet_after}, dict.fromkeys(silent))
        self.connected = dict.fromkeys(["", *quiet_after], True)
        self.messages = dict.fromkeys(["", *quiet_after], 0)
        self.seconds = 0

    def later(self, seconds: int) -> list[GatewayReport]:
        return [report for _ in range(seconds) for report in self.look()]

    def look(self, passed: int = 1) -> list[GatewayReport]:
        self.seconds += passed
        now = START + self.seconds * SECOND
        return self.reach.look(now, float(self.seconds), connected=self.connected, messages=self.messages)

    def say(self, source: str) -> None:
        self.messages[source] += 1


def at(seconds: int) -> int:
    return START + seconds * SECOND


def test_a_broker_that_is_away_for_a_minute_is_told_once_and_ends_when_it_is_reached():
    watch = Watch(north=None)
    watch.later(10)
    watch.connected["north"] = False
    assert watch.later(int(AWAY) - 1) == []
    assert watch.later(600) == [GatewayReport(source="north", state="silent", since=at(10), reason="away")]
    watch.connected["north"] = True
    assert watch.later(600) == [GatewayReport(source="north", state="well")]


def test_the_broker_of_our_own_contract_is_watched_too():
    watch = Watch()
    watch.connected[""] = False
    assert [each.source for each in watch.later(90)] == [""]


def test_a_source_with_patience_that_is_reached_and_says_nothing_is_told_by_its_own_time():
    watch = Watch(north=300, south=None)
    watch.look()
    watch.say("north")
    watch.look()
    assert watch.later(299) == []
    assert watch.later(600) == [GatewayReport(source="north", state="silent", since=at(2), reason="quiet")]
    watch.say("north")
    assert watch.look() == [GatewayReport(source="north", state="well")]
    assert watch.later(299) == []


def test_one_that_was_away_gets_its_patience_anew():
    watch = Watch(north=300)
    watch.connected["north"] = False
    watch.later(100)
    watch.connected["north"] = True
    assert [each.state for each in watch.later(299)] == ["well"]
    assert [each.reason for each in watch.later(3)] == ["quiet"]


def test_what_people_know_from_before_a_restart_is_not_told_again():
    watch = Watch(silent=("", "north"), north=300)
    watch.connected[""] = False
    assert watch.later(600) == [], "reached, but it had fallen quiet perhaps"
    watch.say("north")
    assert watch.look() == [GatewayReport(source="north", state="well")]
    watch.connected[""] = True
    assert watch.look() == [GatewayReport(source="", state="well")]


def test_what_is_not_configured_any_more_is_nobodys_worry():
    assert Watch(silent=("gone",)).later(5) == [GatewayReport(source="gone", state="well")]


def test_what_was_not_heard_while_we_were_held_up_is_nobodys_silence():
    watch = Watch(north=30)
    watch.later(5)
    watch.connected[""] = False
    assert watch.look(passed=3600) == []
    assert watch.later(int(AWAY) - 1) == [
        GatewayReport(source="north", state="silent", since=at(3605), reason="quiet")
    ]
    assert [each.source for each in watch.later(1)] == [""]
