"""A placement machine that speaks IPC-2591 (CFX), by script: fields and envelope as the class texts of the
standard's open SDK have them, with values of our own."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any
from uuid import UUID

from service.domain.events import Message
from service.domain.model import SECOND, Instant, to_datetime
from service.wire.cfx import CfxTranslator
from service.wire.gateway import Native
from service.wire.native import read_message
from tests.support.story import START, Story

LOADED = "CFX.Materials.Storage.MaterialsLoaded"
CONSUMED = "CFX.Materials.Management.MaterialsConsumed"
INSTALLED = "CFX.Production.Assembly.MaterialsInstalled"
JOINED = "CFX.Materials.Management.MaterialsJoined"
SPLICED = "CFX.Materials.Storage.SplicePointDetected"
EMPTY = "CFX.Materials.Storage.MaterialsEmpty"
UNLOADED = "CFX.Materials.Storage.MaterialsUnloaded"
CARRIERS_LOADED = "CFX.Materials.Storage.MaterialCarriersLoaded"
CARRIERS_UNLOADED = "CFX.Materials.Storage.MaterialCarriersUnloaded"
SNAPSHOT = "CFX.Materials.Storage.GetLoadedMaterialsResponse"
MODIFIED = "CFX.Materials.Management.MaterialsModified"
SPLIT = "CFX.Materials.Management.MaterialsChainSplit"
STATE = "CFX.ResourcePerformance.StationStateChanged"
FAULT = "CFX.ResourcePerformance.SMTPlacement.FaultOccurred"
CLEARED = "CFX.ResourcePerformance.FaultCleared"
WORK = "CFX.Production.WorkCompleted"
DEPARTED = "CFX.Production.UnitsDeparted"

Body = Mapping[str, Any]


def guid(number: int) -> str:
    return str(UUID(int=number))


def package(name: str | None, quantity: float | None = None, **more: Any) -> dict[str, Any]:
    """``more``: fields by their names in the standard."""
    said: dict[str, Any] = {"UniqueIdentifier": name, "InternalPartNumber": "R-10K"}
    return said | ({} if quantity is None else {"Quantity": float(quantity)}) | more


def feeder(name: str, lane: int = 1, base: str | None = None, kind: str = "SMDTapeFeeder") -> dict[str, Any]:
    return {
        "$type": f"CFX.Structures.SMTPlacement.{kind}, CFX",
        "BaseUniqueIdentifier": base,
        "LaneNumber": lane,
        "TapeWidth": 8.0,
        "UniqueIdentifier": name,
        "Name": None,
    }


def location(slot: str | None, held: Body | None = None, carrier: Body | None = None) -> dict[str, Any]:
    return {
        "LocationIdentifier": slot,
        "LocationName": None,
        "MaterialPackage": held,
        "CarrierInformation": carrier,
    }


def consumed(place: Body, used: float, left: float | None, spoiled: float | None = 0.0) -> dict[str, Any]:
    return {
        "MaterialLocation": place,
        "QuantityUsed": float(used),
        "QuantitySpoiled": spoiled,
        "RemainingQuantity": left,
    }


class Machine:
    """What it says goes through the translator and into a story, ten seconds a message."""

    def __init__(self, source: str = "smt.L3.P1", **options: Any) -> None:
        self.source = source
        self.options = options
        self.translator = self.make()
        self.story = Story()
        self.said: list[Native] = []
        self.number = 0
        self.at: Instant = START
        self.stored: dict[str, bytes] = {}

    def make(self) -> CfxTranslator:
        return CfxTranslator("hall", **{"topics": ["cfx/#"], **self.options})

    def restart(self) -> None:
        """The service goes on from what was committed."""
        self.commit()
        self.translator = self.make()
        self.translator.memory.restore(self.stored)

    def commit(self) -> None:
        for key, data in self.translator.memory.take_changes().items():
            if data is None:
                self.stored.pop(key, None)
            else:
                self.stored[key] = data

    def message(self, name: str, body: Body | None, **envelope: Any) -> dict[str, Any]:
        """The next message, ten seconds after the last, not sent yet."""
        self.number += 1
        self.at += 10 * SECOND
        return {
            "MessageName": name,
            "Version": "1.7",
            "TimeStamp": to_datetime(self.at).isoformat(),
            "UniqueID": guid(self.number),
            "Source": self.source,
            "Target": None,
            "RequestID": None,
            "MessageBody": body if body is None else {"$type": f"{name}, CFX", **body},
            **envelope,
        }

    def hear(
        self, payload: Body | Sequence[Body] | bytes, *, topic: str = "cfx/floor", retained: bool = False
    ) -> list[tuple[str, Message]] | None:
        """What came of it, by kind; ``None``: a repeat."""
        data = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
        natives = self.translator.hear(topic, data, at=self.at, retained=retained)
        if natives is None:
            return None
        found = []
        for native in natives:
            event = read_message(native.address, native.payload)
            self.story.now = max(self.story.now, self.at)
            self.story.happen(native.address, event, native.payload)
            found.append((native.address.kind, event))
        self.said += natives
        return found

    def say(self, name: str, body: Body) -> list[Any]:
        """One message; the events that came of it."""
        found = self.hear(self.message(name, body))
        assert found is not None
        return [event for _, event in found]

    def load(self, *places: Body) -> list[Any]:
        return self.say(LOADED, {"Materials": list(places)})

    def use(self, *entries: Body) -> list[Any]:
        return self.say(CONSUMED, {"ConsumedMaterials": list(entries)})

    def book(self, slot: str) -> int | None:
        return self.story.slot(slot).book

    def totals(self, slot: str) -> tuple[int, int | None]:
        """What we said of it last: placed and lost."""
        counts = [json.loads(each.payload) for each in self.said if each.address.kind == "count"]
        [*_, last] = [each["slots"][slot] for each in counts if slot in each.get("slots", {})]
        return last["placed"], last.get("lost")

    def panels(self) -> int | None:
        counts = [json.loads(each.payload) for each in self.said if each.address.kind == "count"]
        said: list[int] = [each["panels"] for each in counts if "panels" in each]
        return said[-1] if said else None
