"""People who go by the bell alone: told that a slot runs low, they take the notice and bring a supply.

Some press the button on the page, some have a gateway that says it. Both say it until it is seen to be
heard, always under the same id; whether it is counted once is what is tested."""

from __future__ import annotations

import random
import threading
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

import httpx

from tests.torture.gateway import Floor
from tests.torture.receivers import Receivers

Json = dict[str, Any]
AGAIN = 2.0
"""Seconds until they say it again."""


class People:
    """``follow`` as long as the shift lasts; ``done`` once all that was begun was heard."""

    def __init__(
        self,
        url: str,
        floor: Floor,
        receivers: Receivers,
        chance: random.Random,
        *,
        panels: tuple[int, int] = (300, 600),
    ) -> None:
        """``panels``: for how many a supply that they bring lasts, from and below."""
        self.url = url
        self.patience_lost = threading.Event()
        self._floor = floor
        self._receivers = receivers
        self._chance = chance
        self._panels = panels
        self._known: set[str] = set()
        self._seen = 0
        self._over = threading.Event()
        # One client, because each makes a TLS context; a connection for each request, as the program dies.
        self._http = httpx.Client(
            timeout=8, trust_env=False, limits=httpx.Limits(max_keepalive_connections=0)
        )
        self._pool = ThreadPoolExecutor(max_workers=24, thread_name_prefix="person")
        self._jobs: list[Future[None]] = []
        self._thread = threading.Thread(target=self._follow, name="people", daemon=True)

    def load(self, line: str, station: str, slot: str, kind: str, quantity: int) -> None:
        """The first supply of a slot; returns when it is heard."""
        body: Json = {"id": f"{line}-{station}-{slot}-0", "slot": slot, "change": "loaded", "kind": kind}
        body |= {"quantity": quantity, "lot": body["id"], "part": f"P-{slot}"}
        self._floor.ledger.write([(f"{line}/{station}/supply", body)])
        self._press(line, station, body)
        self._floor.fill(line, station, body)

    def start(self) -> None:
        self._thread.start()

    def end(self) -> None:
        """No new errands; those begun are seen to their end."""
        self._over.set()
        self._thread.join()

    def done(self) -> bool:
        """Raises what a person failed with."""
        finished = [job for job in self._jobs if job.done()]
        for job in finished:
            job.result()
        return len(finished) == len(self._jobs)

    def close(self) -> None:
        self.patience_lost.set()
        self._pool.shutdown(wait=True, cancel_futures=True)
        self._http.close()

    def _follow(self) -> None:
        while not self._over.wait(0.1):
            events = self._receivers.opened(self._seen)
            self._seen += len(events)
            for notice in (event["data"] for event in events):
                if notice["kind"] == "supply" and notice["id"] not in self._known:
                    self._known.add(notice["id"])
                    plan = self._chance.random(), self._chance.random(), self._chance.randrange(*self._panels)
                    self._jobs.append(self._pool.submit(self._see_to, notice, *plan))

    def _see_to(self, notice: Json, how: float, pause: float, panels: int) -> None:
        if how < 0.4:
            self._take(notice["id"])
        self.patience_lost.wait(pause)
        place = notice["line"], notice["station"]
        usage = self._floor.stations[place].usage[notice["slot"]]
        name = f"{'-'.join(place)}-{notice['slot']}-{notice['id']}"
        body: Json = {"id": name, "lot": name, "slot": notice["slot"], "change": "joined"}
        body |= {"quantity": panels * usage, "by": "Ines"}
        self._floor.ledger.write([(f"{'/'.join(place)}/supply", body)])
        if how % 0.2 < 0.1:
            self._press(*place, body)
        else:
            self._let_the_gateway_say(*place, body)
        self._floor.fill(*place, body)

    def _press(self, line: str, station: str, body: Json) -> None:
        where = f"{self.url}/api/v1/lines/{line}/stations/{station}/slots/{body['slot']}/supply"
        said = {key: each for key, each in body.items() if key not in {"id", "slot"}}
        while not self.patience_lost.is_set():
            answer = self._post(where, said, {"Idempotency-Key": body["id"]})
            if answer is not None and answer < 300:
                return
            if answer is not None and answer < 500:
                raise AssertionError(f"{where} answered {answer}")
            self.patience_lost.wait(AGAIN / 4)

    def _let_the_gateway_say(self, line: str, station: str, body: Json) -> None:
        """Until the forecast shows the lot: an acknowledged message may be lost with the broker."""
        key = line, station, body["slot"]
        while not self.patience_lost.is_set() and self._floor.lots.get(key) != body["lot"]:
            self._floor.send(f"{line}/{station}/supply", body)
            self.patience_lost.wait(AGAIN)

    def _take(self, notice: str) -> None:
        for _ in range(20):
            answer = self._post(f"{self.url}/api/v1/notices/{notice}/take", {"by": "Ines"}, {})
            if answer is not None and answer < 500:
                return
            if self.patience_lost.wait(AGAIN / 4):
                return

    def _post(self, where: str, body: Json, headers: dict[str, str]) -> int | None:
        try:
            return self._http.post(where, json=body, headers=headers).status_code
        except httpx.HTTPError:
            return None
