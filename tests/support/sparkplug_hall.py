"""The program as the Sparkplug host of a hall: its counts through its public face."""

from __future__ import annotations

from typing import Any

import httpx

from tests.support.ports import free_port
from tests.support.processes import Program, StartProgram
from tests.support.wait import eventually

Json = dict[str, Any]


class Hall:
    """Lines are nodes, stations their devices."""

    def __init__(self, start_program: StartProgram, url: str, *, reorder_seconds: float = 0.2) -> None:
        self.url = f"http://127.0.0.1:{(web := free_port())}"
        config = f"""
[site]
name = "Hollerbach"
timezone = "Europe/Vienna"
[mqtt]
url = "{url}"
[store]
url = "sqlite:///earlybell.db"
[web]
port = {web}
[[source]]
name = "edges"
format = "sparkplug"
host_id = "hollerbach-host"
node = "{{line}}"
device = "{{station}}"
reorder_seconds = {reorder_seconds}
[[source.value]]
name = "Feeders/{{slot}}/Placed"
means = "placed"
[[source.value]]
name = "Feeders/{{slot}}/Reel"
means = "supply"
[[source.value]]
name = "Feeders/{{slot}}/Parts"
means = "quantity"
"""
        self.program: Program = start_program("run", config=config)
        self.program.wait_ready(self.url)
        self._api = httpx.Client(base_url=f"{self.url}/api/v1", timeout=10.0, trust_env=False)

    def slot(self, line: str, slot: str) -> Json:
        answer = self._api.get(f"/lines/{line}/slots")
        found = [] if answer.status_code == httpx.codes.NOT_FOUND else answer.raise_for_status().json()
        return next((each for each in found if each["slot"] == slot), {})

    def until(self, line: str, slot: str, *, left: int, stale: bool = False) -> None:
        """So much is left in the slot, and its station is heard or (``stale``) not."""

        def is_so() -> bool:
            found = self.slot(line, slot)
            remaining = found.get("remaining") or {}
            return (remaining.get("book"), found.get("stale_since") is not None) == (left, stale)

        eventually(
            is_so, timeout=20, message=lambda: f"{self.slot(line, slot)}\n{self.program.tail()}", ignoring=()
        )

    def close(self) -> None:
        self._api.close()
