"""An outlet that takes nothing more: the others say so, the API shows it, a person sends it again."""

from __future__ import annotations

from typing import Any

from tests.support.factory import Factory
from tests.support.receivers import Answer


def tray_runs_low(factory: Factory, slot: str) -> None:
    factory.gateway.send("L1/P1/recipe", recipe="r", usage={slot: 1})
    factory.gateway.send("L1/P1/count", session=slot, seq=1, panels=0, slots={slot: {"placed": 0}})
    factory.gateway.send("L1/P1/supply", id=slot, slot=slot, change="loaded", kind="tray", quantity=5)


def outlet_notices(factory: Factory) -> list[dict[str, Any]]:
    return [each for each in factory.get("/notices", state="open") if each["kind"] == "outlet"]


def subjects(factory: Factory) -> list[str]:
    """Without the moments behind them."""
    return [str(mail.message["Subject"]).partition(" (")[0] for mail in factory.mail.received.all()]


def test_a_hook_that_is_gone_is_told_by_mail_and_sent_again_when_a_person_says_so(factory: Factory) -> None:
    factory.hook.answer(then=Answer(status=410))
    tray_runs_low(factory, "T1")
    (told,) = factory.until(lambda: outlet_notices(factory), "no notice of the outlet")
    assert (told["about"], told["line"], told["level"]) == ("hook", None, "urgent")
    assert "answered 410 Gone" in told["message"]
    factory.until(lambda: "hook: messages not delivered" in subjects(factory), "the mail doesn't tell it")

    (dead,) = factory.until(lambda: factory.get("/deliveries", state="dead"), "no dead delivery")
    assert (dead["outlet"], dead["error"]) == ("hook", "answered 410 Gone")
    assert factory.hook.url not in factory.api.get("/deliveries").text
    # What tells of the outlet isn't sent to the outlet.
    assert {row["outlet"] for row in factory.get("/deliveries") if row["notice"] == told["id"]} == {"mail"}

    factory.hook.answer()
    again = factory.api.post(f"/deliveries/{dead['id']}/again", json={"by": "badge 31"})
    assert (again.status_code, again.json()["state"]) == (200, "waiting")
    requests = factory.hook.wait_for(2)
    assert [request.answered for request in requests] == [410, 200]
    assert requests[1].json["data"]["slot"] == "T1"
    assert requests[0].headers["webhook-id"] == requests[1].headers["webhook-id"]
    factory.until(lambda: not factory.get("/deliveries", state="waiting"), "it still waits")
    assert factory.get("/deliveries", state="dead") == []
    assert factory.api.post(f"/deliveries/{dead['id']}/again", json={"by": "ada"}).status_code == 409
    factory.program.wait_for_log("delivery_again")

    # It stands in the journal, and in the state that a restart begins with.
    assert '"type":"earlybell.outlet"' in factory.api.get("/events").text
    factory.program.restart().wait_ready(factory.url)
    assert [each["id"] for each in outlet_notices(factory)] == [told["id"]]
