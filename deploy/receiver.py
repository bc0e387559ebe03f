"""A webhook receiver for a first try: prints a line of JSON for each delivery. Not for a plant."""

import json
import sys
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

SHOWN = ("id", "line", "station", "slot", "level", "state", "message")


class Receiver(BaseHTTPRequestHandler):
    def do_POST(self) -> None:
        event = json.loads(self.rfile.read(int(self.headers["content-length"])))
        shown = {key: event["data"].get(key) for key in SHOWN}
        line = json.dumps({"type": event["type"], **shown}, ensure_ascii=False)
        print(f"{line}\n", end="", flush=True)  # noqa: T201 - at once: deliveries come side by side
        self.send_response(204)
        self.end_headers()

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002
        """Nothing: the deliveries are what is to be read."""


port = int(sys.argv[1]) if len(sys.argv) > 1 else 8090
ThreadingHTTPServer(("", port), Receiver).serve_forever()
