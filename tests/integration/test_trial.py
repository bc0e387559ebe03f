"""A source on trial against a real broker: heard beside everything else, gone without a trace."""

from __future__ import annotations

import json
import threading
import time
from typing import Any

from service.domain.policy import Policy
from service.mqtt.client import Broker
from service.trial import Trial
from service.wire.own import NativeTranslator
from tests.support.factory import Gateway
from tests.support.mosquitto import Mosquitto
from tests.support.wait import eventually


def trial_at(mosquitto: Mosquitto, translator: Any = None) -> Trial:
    broker = Broker(host=mosquitto.host, port=mosquitto.port, client_id="earlybell-north")
    translator = translator or NativeTranslator("north")
    return Trial(
        "north", translator, broker, policy=Policy(), counted=dict, clock=lambda: time.time_ns() // 1000
    )


def test_it_shows_what_would_have_been_counted_and_leaves_no_session_behind(broker):
    trial = trial_at(broker)
    trial.start()
    eventually(lambda: trial.figures()["connected"])
    gateway = Gateway(broker.port)
    for seq in range(1, 11):
        slots = {"F07": {"placed": 18 * seq, "lost": seq // 5}}
        body = {"session": "a", "seq": seq, "panels": seq, "slots": slots}
        gateway.send_raw("north/L3/P1/count", json.dumps(body).encode())

    eventually(lambda: [slot["trial"] for slot in trial.figures()["slots"]] == [{"placed": 162, "lost": 2}])
    trial.stop()
    # What comes now is kept for nobody: a second trial hears of what follows only.
    gateway.send_raw("north/L3/P1/count", b"{}")
    again = trial_at(broker)
    again.start()
    eventually(lambda: again.figures()["connected"])
    gateway.send_raw("north/L3/P1/count", b"[]")
    eventually(lambda: again.figures()["refused"])
    again.stop()
    gateway.close()

    assert sum(each["times"] for each in again.figures()["refused"]) == 1


def test_what_goes_wrong_in_it_ends_it_alone(broker):
    class Broken(NativeTranslator):
        def next_moment(self) -> int:
            raise RuntimeError("a mistake of ours")

    trial = trial_at(broker, Broken("north"))
    before = threading.active_count()
    trial.start()

    eventually(lambda: trial.figures()["trouble"] == "the trial failed: RuntimeError")
    trial.stop()
    eventually(lambda: threading.active_count() <= before)
