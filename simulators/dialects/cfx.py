"""IPC-2591 (CFX) messages as JSON, carried by a gateway over MQTT: one topic a station.

Written from the class texts of the standard's public SDK. Consumption comes as what was used and spoiled
since the last message, with what remains; a complete panel as ``WorkCompleted``. There is no tower in CFX:
what it would show is said as the station's state and as faults. Recipes and orders aren't said.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from simulators.dialects.board import Left
from simulators.events import Counted, Event, Supplied, Tower, TowerShown
from simulators.messages import Message, Speaker, encode_json, rfc3339

_CARRIERS = {"tape": "SMDTapeFeeder", "tray": "SMDTrayFeeder"}
_STATES = {"working": "1100", "idle": "2200", "out": "5500", "fault": "5200"}
"""Codes of SEMI E10 and E58 as CFX has them: regular work, no product, change of consumables, repair."""


class Cfx(Speaker):
    source = """\
[[source]]
name = "cfx"
format = "cfx"
topics = ["ROOT/cfx/#"]
station = [{ handle = "tarnquay.{line}.{station}" }]
"""

    def __init__(self, line: str, **words: Any) -> None:
        super().__init__(line, **words)
        self._left = Left()
        self._panels: dict[tuple[str, str], int] = {}
        self._packages: dict[tuple[str, str], dict[str, object]] = {}
        self._shown: dict[str, tuple[str, tuple[str, ...]]] = {}
        self._said = 0

    def _encode(self, event: Event) -> list[Message]:
        match event:
            case Counted():
                return self._count(event)
            case Supplied():
                return [self._supply(event)]
            case TowerShown():
                return self._tower(event)
            case _:
                return []

    def greet(self, station: str, at: float) -> list[Message]:
        body = {"CFXHandle": self._handle(station)}
        return [self._message("link", station, "CFX.EndpointConnected", body, at)]

    def will(self, station: str) -> Message:
        return self._message(
            "link", station, "CFX.EndpointShuttingDown", {"CFXHandle": self._handle(station)}
        )

    def leave(self, station: str, at: float) -> list[Message]:
        body = {"CFXHandle": self._handle(station)}
        return [self._message("link", station, "CFX.EndpointShuttingDown", body, at)]

    def _count(self, event: Counted) -> list[Message]:
        station = event.station
        used = self._left.count(event)
        consumed = [
            {
                "MaterialLocation": self._location(station, slot),
                "QuantityUsed": float(placed),
                "QuantitySpoiled": float(lost),
                "RemainingQuantity": float(self._left.of[station, slot]),
            }
            for slot, (placed, lost) in used.items()
            if (station, slot) in self._left.of
        ]
        said = []
        if consumed:
            body: dict[str, object] = {"ConsumedMaterials": consumed}
            name = "CFX.Materials.Management.MaterialsConsumed"
            said.append(self._message("count", station, name, body, event.at))
        before = self._panels.get((station, event.life), 0)
        self._panels[station, event.life] = event.panels
        for _ in range(before, event.panels):
            done = {"TransactionID": self._guid("work"), "Result": "Completed", "UnitCount": 1}
            said.append(self._message("panel", station, "CFX.Production.WorkCompleted", done, event.at))
        return said

    def _supply(self, event: Supplied) -> Message:
        place = event.station, event.slot
        leading = self._packages.get(place)
        self._left.supply(event)
        package: dict[str, object] = {
            "UniqueIdentifier": self._supply_name(event.supply),
            "InternalPartNumber": event.part,
            "Quantity": float(event.quantity),
        }
        self._packages[place] = package | {"Kind": event.kind}
        if event.change == "joined" and leading is not None:
            name = "CFX.Materials.Management.MaterialsJoined"
            body: dict[str, object] = {
                "LeadingMaterialPackage": _package(leading),
                "TrailingMaterialPackage": package,
            }
        else:
            name = "CFX.Materials.Storage.MaterialsLoaded"
            body = {"Materials": [self._location(*place) | {"MaterialPackage": package}]}
        return self._message("supply", event.station, name, body, event.moment)

    def _location(self, station: str, slot: str) -> dict[str, object]:
        package = self._packages[station, slot]
        kind = _CARRIERS[str(package["Kind"])]
        return {
            "LocationIdentifier": slot,
            "LocationName": slot,
            "MaterialPackage": _package(package) | {"Quantity": float(self._left.of[station, slot])},
            "CarrierInformation": {
                "$type": f"CFX.Structures.SMTPlacement.{kind}, CFX",
                "UniqueIdentifier": f"{self._line}-{station}-{slot}",
            },
        }

    def _tower(self, event: TowerShown) -> list[Message]:
        """What is newly short, then the state that follows from it."""
        station, state = event.station, _state(event.tower)
        before, named = self._shown.get(station, ("", ()))
        self._shown[station] = state, event.tower.slots
        new = [each for each in event.tower.slots if state != before or each not in named]
        faults = [self._short(station, slot, out=state == "out", at=event.at) for slot in new]
        name = "CFX.ResourcePerformance.FaultOccurred"
        said = [self._message("tower", station, name, {"Fault": each}, event.at) for each in faults]
        if state != before:
            body = {
                "OldState": _STATES.get(before, "6000"),
                "NewState": _STATES[state],
                "OldStateDuration": None,
                "RelatedFault": faults[0] if state == "out" and faults else None,
            }
            name = "CFX.ResourcePerformance.StationStateChanged"
            said.append(self._message("tower", station, name, body, event.at))
        return said

    def _short(self, station: str, slot: str, *, out: bool, at: float) -> dict[str, object]:
        """The fault that a supply is out, or low."""
        kind = "PartsExhaust" if out else "LowQuantity"
        return {
            "$type": "CFX.Structures.SMTPlacement.SMTPlacementFault, CFX",
            "PlacementFaultType": kind,
            "FaultOccurrenceId": self._guid("fault"),
            "Cause": "Refill",
            "Severity": "Error" if out else "Warning",
            "FaultCode": kind,
            "OccurredAt": rfc3339(self._moment(station, at)),
            "MaterialLocation": {"LocationIdentifier": slot, "LocationName": slot},
        }

    def _message(
        self, kind: str, station: str, name: str, body: Mapping[str, object], at: float = 0.0
    ) -> Message:
        envelope = {
            "MessageName": name,
            "Version": "1.7",
            "TimeStamp": rfc3339(self._moment(station, at)),
            "UniqueID": self._guid("message"),
            "Source": self._handle(station),
            "Target": None,
            "RequestID": None,
            "MessageBody": {"$type": f"{name}, CFX", **body},
        }
        return Message(
            f"{self._root}/cfx/{self._line}/{station}", encode_json(envelope), says=kind, by=station
        )

    def _handle(self, station: str) -> str:
        return f"tarnquay.{self._line}.{station}"

    def _guid(self, what: str) -> str:
        self._said += 1
        return str(UUID(self._name(what, self._said)[:32]))


def _package(package: dict[str, object]) -> dict[str, object]:
    return {key: value for key, value in package.items() if key != "Kind"}


def _state(tower: Tower) -> str:
    if tower.buzzer != "off":
        return "out"
    if tower.red != "off":
        return "fault"
    return "working" if tower.green == "on" else "idle"
