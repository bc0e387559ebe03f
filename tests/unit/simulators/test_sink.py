"""What the receiver takes, what it refuses, and the line it prints for a person."""

from __future__ import annotations

import base64
import io
import json
from typing import Any

import pytest

from simulators.sink import Delivery, Sink, signed, tell

NOTICE: dict[str, Any] = {
    "id": "n1",
    "kind": "supply",
    "line": "L3",
    "station": "P2",
    "slot": "T2",
    "part": "PHY-LQFP100",
    "level": "early",
    "state": "open",
    "panels_to_empty": {"p05": 9, "p50": 10, "p95": 11},
    "message": "Bring one tray.",
}


def delivery(type_: str = "opened", **changes: Any) -> Delivery:
    return Delivery("d1", f"earlybell.notice.{type_}", {**NOTICE, **changes})


def event(id_: str = "d1", **changes: Any) -> bytes:
    return json.dumps({"id": id_, "type": "earlybell.notice.opened", "data": {**NOTICE, **changes}}).encode()


@pytest.fixture
def out() -> io.StringIO:
    return io.StringIO()


@pytest.fixture
def sink(out: io.StringIO):
    made = Sink(out=out)
    made.start()
    yield made
    made.stop()


@pytest.mark.parametrize(
    ("told", "before", "line"),
    [
        (
            delivery(),
            None,
            "06:14:07  EARLY    P2 T2    PHY-LQFP100      9–11 panels   Bring one tray.",
        ),
        (
            delivery(panels_to_empty={"p05": 10, "p50": 10, "p95": 10}),
            None,
            "06:14:07  EARLY    P2 T2    PHY-LQFP100      10 panels     Bring one tray.",
        ),
        (
            delivery("changed", level="urgent", state="taken"),
            NOTICE,
            "06:14:07  URGENT   P2 T2    PHY-LQFP100      9–11 panels   Bring one tray.",
        ),
        (
            delivery("changed", state="taken", taken_by="Ada"),
            NOTICE,
            "06:14:07  taken    P2 T2    PHY-LQFP100      9–11 panels   by Ada",
        ),
        (
            delivery("closed", state="closed", message="Refilled."),
            NOTICE,
            "06:14:07  closed   P2 T2    PHY-LQFP100                    Refilled.",
        ),
        (
            delivery(kind="silent", slot=None, part=None, panels_to_empty=None, message="Silent."),
            None,
            "06:14:07  EARLY    P2                                      Silent.",
        ),
    ],
)
def test_a_line_says_what_is_new_about_it(told: Delivery, before: dict[str, Any] | None, line: str):
    assert tell(told, before, "06:14:07") == line


def test_a_line_stays_one_line_and_moves_no_cursor():
    assert tell(delivery(message="a\nb\x1b[2Jc"), None, "06:14:07").endswith("a b [2Jc")


def test_what_comes_again_under_the_same_id_is_printed_once(sink: Sink, out: io.StringIO):
    answers = [
        sink.receive_warning({}, event()),
        sink.receive_warning({}, event()),
        sink.receive_warning({}, event("d2")),
    ]

    assert answers == [204, 204, 204]
    assert (len(sink.warnings), sink.repeats, out.getvalue().count("\n")) == (2, 1, 2)


@pytest.mark.parametrize(
    "body", [b"", b"no", b"[]", b"{}", b'{"id":"x","type":"y","data":[]}', b'{"data":{"id":1}}']
)
def test_what_is_no_warning_is_refused_and_not_remembered(body: bytes, sink: Sink, out: io.StringIO):
    assert sink.receive_warning({}, body) == 400
    assert (sink.warnings, out.getvalue()) == ([], "")


def test_the_open_notice_of_a_slot_is_known_until_somebody_has_it(sink: Sink):
    sink.receive_warning({}, event("d1", id="other line", line="L4"))
    sink.receive_warning({}, event("d2", id="a loss", kind="loss"))
    sink.receive_warning({}, event("d3"))
    known = sink.open_notice("L3", "P2", "T2")
    sink.receive_warning({}, event("d4", state="taken"))

    assert (known, sink.open_notice("L3", "P2", "T2")) == ("n1", None)


def test_a_reader_who_has_gone_is_noticed(sink: Sink):
    class Gone(io.StringIO):
        def write(self, text: str) -> int:
            raise BrokenPipeError

    deaf = Sink(out=Gone())
    deaf.start()
    deaf.receive_warning({}, event())
    deaf.stop()

    assert deaf.unread


# The test vector of the Standard Webhooks libraries (standard-webhooks/standard-webhooks, 1.0.0).
SECRET = base64.b64decode("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
BODY = b'{"test": 2432232314}'
SIGNED = {
    "webhook-id": "msg_p5jXN8AQM9LWM0D4loKWxJek",
    "webhook-timestamp": "1614265330",
    "webhook-signature": "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=",
}
THEN = 1_614_265_330.0


def test_the_published_signature_is_good():
    assert signed(SECRET, SIGNED, BODY, THEN)
    assert signed(SECRET, SIGNED | {"webhook-signature": "v1a,x " + SIGNED["webhook-signature"]}, BODY, THEN)


@pytest.mark.parametrize(
    ("changes", "body", "now"),
    [
        ({"webhook-signature": "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OA="}, BODY, THEN),
        ({"webhook-id": "another"}, BODY, THEN),
        ({"webhook-timestamp": "1614265331"}, BODY, THEN),
        ({"webhook-timestamp": "soon"}, BODY, THEN),
        ({"webhook-signature": ""}, BODY, THEN),
        ({}, BODY + b" ", THEN),
        ({}, BODY, THEN + 301),
        ({}, BODY, THEN - 301),
    ],
)
def test_any_other_signature_is_not(changes: dict[str, str], body: bytes, now: float):
    assert not signed(SECRET, SIGNED | changes, body, now)


def test_with_a_secret_an_unsigned_warning_is_refused(out: io.StringIO):
    sink = Sink(out=out, secret="whsec_" + base64.b64encode(SECRET).decode())
    sink.start()
    answer = sink.receive_warning({"webhook-id": "d1"}, event())
    sink.stop()

    assert (answer, sink.warnings) == (401, [])
