"""``clock = "events"``: the rules go by what the messages say, the outlets by the wall clock."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from tests.acceptance.conftest import StartFactory


def test_a_line_that_runs_ahead_of_the_wall_clock_is_warned_of_at_once(start_factory: StartFactory) -> None:
    factory = start_factory(extra="", site='clock = "events"')
    begin = (datetime.now(UTC) + timedelta(days=30)).replace(hour=6)

    def at(panel: int) -> str:
        return (begin + timedelta(seconds=20 * panel)).isoformat()

    factory.gateway.send("L3/P1/recipe", recipe="r", usage={"T2": 1}, at=at(0))
    for panel in range(52):
        if panel == 1:
            factory.gateway.send(
                "L3/P1/supply", id="1", slot="T2", change="loaded", kind="tray", quantity=60, at=at(1)
            )
        slots = {"T2": {"placed": panel, "lost": 0}}
        factory.gateway.send(
            "L3/P1/count", session="a", seq=panel + 1, panels=panel, slots=slots, at=at(panel + 1)
        )
    early = factory.wait_told("opened", "early", within=5)["data"]
    assert early["opened_at"][:10] == f"{begin:%Y-%m-%d}"
    assert early["empty_at"]["p50"] > early["opened_at"]
    assert factory.slot("L3", "T2")["state"] == "due"
