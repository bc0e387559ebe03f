"""An edge node made by others, npm's ``sparkplug-client`` 3.2.4, beside the running program: it is heard,
asked for its birth, and its deaths are understood. ``sparkplug-payload`` 1.0.3 writes its payloads."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.support.foreign import foreign_folder
from tests.support.mosquitto import Mosquitto
from tests.support.processes import StartProgram
from tests.support.sparkplug_hall import Hall
from tests.support.wait import eventually
from tests.unit.wire.test_sparkplug_payload import ALIAS_ALONE_BY_NPM, BY_NPM


class ForeignEdge:
    def __init__(self, process: subprocess.Popen[str], said: Path) -> None:
        self.process = process
        self._said = said

    def said(self) -> list[str]:
        return self._said.read_text().split()

    def do(self, line: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(f"{line}\n")
        self.process.stdin.flush()


@contextmanager
def foreign_edge(url: str, folder: Path) -> Iterator[ForeignEdge]:
    said = folder / "edge.out"
    command = ["node", "sparkplug_edge.js", url, "Hollerbach", "L3", "P1"]
    with said.open("w") as out:
        process = subprocess.Popen(
            command, cwd=foreign_folder(), stdin=subprocess.PIPE, stdout=out, stderr=out, text=True
        )
    try:
        yield ForeignEdge(process, said)
    finally:
        process.kill()
        process.communicate(timeout=10)


def test_an_edge_node_of_an_independent_library_is_heard_from_birth_to_death(
    start_program: StartProgram, broker: Mosquitto, tmp_path: Path
) -> None:
    with foreign_edge(broker.url, tmp_path) as edge:
        eventually(lambda: edge.said() == ["born"], timeout=20, message=lambda: str(edge.said()))
        hall = Hall(start_program, broker.url)
        edge.do("120")  # its births came before us: it is asked for them
        eventually(lambda: edge.said() == ["born", "asked", "born"], message=lambda: str(edge.said()))
        hall.until("L3", "F07", left=1000)
        edge.do("150")
        hall.until("L3", "F07", left=970)
        edge.do("dies")
        hall.until("L3", "F07", left=970, stale=True)
        edge.do("lives")
        hall.until("L3", "F07", left=970)
        edge.process.kill()  # and the broker says its will
        hall.until("L3", "F07", left=970, stale=True)
        hall.close()


def test_the_bytes_that_the_decoder_is_tested_with_are_those_of_the_independent_encoder() -> None:
    written = subprocess.run(
        ["node", "sparkplug_encoder.js"], cwd=foreign_folder(), capture_output=True, text=True, check=True
    )
    assert [bytes.fromhex(line) for line in written.stdout.split()] == [BY_NPM, ALIAS_ALONE_BY_NPM]
