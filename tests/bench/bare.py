"""The ceiling: a paho subscriber with manual acknowledgement that only counts. A program of its own."""

from __future__ import annotations

import sys
import time

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests.bench.stream import session


def main() -> None:
    port, wanted = int(sys.argv[1]), int(sys.argv[2])
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id="bare", protocol=paho.MQTTv5, manual_ack=True)
    seen = 0
    began = 0.0

    def on_message(_client: object, _data: object, message: paho.MQTTMessage) -> None:
        nonlocal seen, began
        seen += 1
        if seen == 1:
            began = time.perf_counter()
        client.ack(message.mid, message.qos)
        if seen == wanted:
            print(seen / (time.perf_counter() - began), flush=True)
            client.disconnect()

    client.on_message = on_message
    client.connect("127.0.0.1", port, clean_start=False, properties=session())
    client.loop_forever()


if __name__ == "__main__":
    main()
