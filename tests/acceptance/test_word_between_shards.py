"""Two programs that share a floor: what one learns the other knows, and a supply keeps its rest."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from msgspec import msgpack

from service.domain.history import Learned, law_key
from tests.support.mosquitto import Mosquitto
from tests.support.sharded import Member, Sharded, sharded
from tests.support.wait import eventually


def load(plant: Sharded, line: str, supply: str, quantity: int | None = None) -> None:
    said: dict[str, Any] = {} if quantity is None else {"quantity": quantity}
    reel = {"slot": "S", "change": "loaded", "kind": "tape", "part": "R1", "supply": supply}
    plant.gateway.send(f"{line}/P1/supply", **(reel | said))


def left(member: Member, line: str) -> int | None:
    station = member.station(line, "P1")
    return None if station is None else station.slots["S"].book


def ends(member: Member) -> int:
    data = member.store.archive.states("law/").get(law_key("tape", "R1"))
    return 0 if data is None else msgpack.decode(data, type=Learned).finished


def test_a_supply_keeps_its_rest_and_ends_teach_both_also_who_was_away(
    tmp_path: Path, broker: Mosquitto
) -> None:
    with sharded(tmp_path, broker, {"rest": ["*"], "east": ["E*"]}) as plant:
        rest, east = plant.members["rest"], plant.members["east"]
        plant.count("L", 0)
        plant.count("E1", 0)
        load(plant, "L", "R-7", 500)
        plant.count("L", 120)
        rest.until_counted("L", 2)
        plant.gateway.send("L/P1/supply", slot="S", change="removed")
        eventually(
            lambda: (
                (known := east.supply("R-7")) is not None
                and known.stock is not None
                and known.stock.counted == 120
            ),
            timeout=20,
            message=east.program.tail,
        )

        load(plant, "E1", "R-7")
        plant.count("E1", 30)
        eventually(lambda: left(east, "E1") == 350, timeout=20, message=east.program.tail)
        load(plant, "L", "R-7")  # straight out of the other's slot
        eventually(lambda: left(rest, "L") == 350, timeout=20, message=rest.program.tail)

        east.program.kill()
        plant.gateway.send("L/P1/supply", slot="S", change="counted", quantity=2)
        eventually(lambda: ends(rest) == 1, timeout=20, message=rest.program.tail)
        east.start()
        eventually(lambda: ends(east) == 1, timeout=20, message=east.program.tail)
        assert east.station("E1", "P1") is not None
        assert rest.station("E1", "P1") is None
