"""A plant divided among three programs: one PostgreSQL, one broker, one receiver, and books of what was made.

``hall-1`` and ``hall-2`` have lines by their names, ``rest`` all others. At each line one station says totals
and one says differences, which nothing heals that is lost or counted twice."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import httpx
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests.support.forked import ForkedProgram
from tests.support.mosquitto import Mosquitto
from tests.support.ports import free_port
from tests.support.processes import run_loaded
from tests.support.receivers import HttpReceiver, Request
from tests.support.wait import eventually

LINES = {"hall-1": ["A*", "B*"], "hall-2": ["C*"], "rest": ["*"]}
"""In the order in which they are made known: the catch-all last."""
ONE_OF = {"hall-1": "A1", "hall-2": "C7", "rest": "X9"}
LOADED = 1_000_000
TICK = 0.04
Json = dict[str, Any]
Place = tuple[str, str]
"""(line, station)"""


class Instance:
    """One program of one shard."""

    def __init__(self, name: str, folder: Path, config: str) -> None:
        self.name, self.line = name, ONE_OF[name]
        self.url = f"http://127.0.0.1:{(web := free_port())}"
        folder.mkdir()
        shard = f'[shard]\nname = "{name}"\nlines = {json.dumps(LINES[name])}\n[web]\nport = {web}\n'
        self.program = ForkedProgram(folder, config=config + shard)
        self.http = httpx.Client(
            base_url=self.url,
            timeout=10,
            trust_env=False,
            limits=httpx.Limits(max_keepalive_connections=0),
        )

    def register(self) -> None:
        """``earlybell upgrade-store`` with its settings."""
        words = ["upgrade-store", "--config", str(self.program.folder / "earlybell.toml")]
        done = run_loaded(words, folder=self.program.folder, environment=self.program.environment)
        assert done.returncode == 0, done.stderr

    def ready(self) -> None:
        self.program.wait_ready(self.url)

    def get(self, path: str, **query: Any) -> Any:
        return self.http.get(f"/api/v1{path}", params=query).raise_for_status().json()

    def close(self) -> None:
        self.program.remove()
        self.http.close()


class Divided:
    """``made`` and ``placed`` are the books, by (line, station): messages and parts."""

    def __init__(self, broker: Mosquitto, store: str, folder: Path, hook: HttpReceiver) -> None:
        self.hook = hook
        config = f'[mqtt]\nurl = "{broker.url}"\n[store]\nurl = "{store}"\n'
        config += f'[[outlet]]\nname = "hook"\ntype = "webhook"\nurl = "{hook.url}"\n'
        self.instances = {name: Instance(name, folder / name, config) for name in LINES}
        self.made: dict[Place, int] = {}
        self.placed: dict[Place, int] = {}
        self._page = 0
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5, client_id="gateway")
        self._client.max_inflight_messages_set(500)
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()

    def begin(self) -> None:
        for each in self.instances.values():
            each.register()
        for each in self.instances.values():
            each.program.start()
        for each in self.instances.values():
            each.ready()
        for line in ONE_OF.values():
            for station in ("TOTAL", "DELTA"):
                self.send(f"{line}/{station}/supply", _loaded("first", "tape", LOADED))
                self.count(line, station, 0)
        self.until_counted()

    def send(self, topic: str, body: Json, *, retain: bool = False) -> None:
        self._client.publish(f"floor/{topic}", json.dumps(body).encode(), qos=1, retain=retain)

    def count(self, line: str, station: str, placed: int) -> None:
        place = line, station
        self.made[place] = self.made.get(place, 0) + 1
        self.placed[place] = self.placed.get(place, 0) + placed
        delta = station == "DELTA"
        body: Json = {"session": "s", "seq": self.made[place]}
        body["slots"] = {"S": {"placed": placed if delta else self.placed[place]}}
        self.send(f"{line}/{station}/count", body | ({"counts": "delta"} if delta else {}))

    @contextmanager
    def under_load(self) -> Iterator[None]:
        """Both stations of every line place on, some fifty messages a second at each, until the end."""
        over = threading.Event()

        def place() -> None:
            while not over.wait(TICK):
                for line in ONE_OF.values():
                    for station in ("TOTAL", "DELTA"):
                        self.count(line, station, 1 + self.made[line, station] % 3)

        thread = threading.Thread(target=place, name="load", daemon=True)
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join()

    def ring(self, line: str, number: int) -> None:
        """A tray that is as good as empty: somebody must be told."""
        self.send(f"{line}/BELL/recipe", {"recipe": "r", "usage": {"S": 1}}, retain=True)
        self.send(f"{line}/BELL/supply", _loaded(f"ring {number}", "tray", 5))

    def refill(self, line: str, number: int) -> None:
        self.send(f"{line}/BELL/supply", _loaded(f"full {number}", "tray", LOADED))

    def turn_the_page(self) -> None:
        """What the receiver has so far is of no interest any more."""
        self._page = len(self.hook.received.all())

    def told(self, line: str) -> list[Request]:
        """What came to the receiver of this line since the page was turned, in order."""
        came = self.hook.received.all()[self._page :]
        return [each for each in came if each.json["data"]["line"] == line]

    def until_told(self, line: str, changes: Sequence[str], *, within: float = 30.0) -> None:
        """Until the receiver has these changes of the line's notices and no other, repeats aside."""
        eventually(
            lambda: list(dict.fromkeys(map(_change, self.told(line)))) == list(changes),
            timeout=within,
            message=lambda: f"{line}: {[_change(each) for each in self.told(line)]}\n{self._logs()}",
        )

    def counted(self, through: Instance, lines: Sequence[str]) -> dict[Place, int]:
        """By what one instance shows."""
        slots = [each for line in lines for each in through.get(f"/lines/{line}/slots")]
        return {
            (each["line"], each["station"]): each["counted"]["seq"]
            for each in slots
            if each["counted"] is not None
        }

    def until_counted(self, within: float = 30.0) -> None:
        """Everything that was said, by what each instance shows of its own line."""
        for each in self.instances.values():
            self.until(each, lambda place, seq: seq == self.made[place], within=within)

    def until(self, each: Instance, enough: Callable[[Place, int], bool], *, within: float = 30.0) -> None:
        def is_there() -> bool:
            counted = self.counted(each, [each.line])
            return len(counted) == 2 and all(enough(place, seq) for place, seq in counted.items())

        eventually(
            is_there,
            timeout=within,
            message=lambda: f"{each.name}: {self.counted(each, [each.line])} of {self.made}\n{self._logs()}",
            ignoring=(httpx.HTTPError,),
        )

    def books(self) -> dict[Place, int]:
        """What is left at each station, by plain arithmetic."""
        return {place: LOADED - placed for place, placed in self.placed.items()}

    def left(self) -> dict[Place, int]:
        """The same as each instance shows it of its own line."""
        return {
            (slot["line"], slot["station"]): slot["remaining"]["book"]
            for each in self.instances.values()
            for slot in each.get(f"/lines/{each.line}/slots")
            if slot["station"] != "BELL"
        }

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()
        for each in self.instances.values():
            each.close()

    def _logs(self) -> str:
        return "\n".join(each.program.tail()[-1500:] for each in self.instances.values())


def _loaded(name: str, kind: str, quantity: int) -> Json:
    return {"id": name, "slot": "S", "change": "loaded", "kind": kind, "quantity": quantity}


def _change(request: Request) -> str:
    return str(request.json["type"].rpartition(".")[2])


@contextmanager
def divided(broker: Mosquitto, store: str, folder: Path) -> Iterator[Divided]:
    """All three run and are ready, every slot loaded."""
    with ExitStack() as stack:
        hook = stack.enter_context(HttpReceiver())
        plant = Divided(broker, store, folder, hook)
        stack.callback(plant.close)
        plant.begin()
        yield plant
