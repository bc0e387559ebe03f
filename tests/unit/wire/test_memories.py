"""What translators remember in pieces of several kinds."""

from __future__ import annotations

import msgspec

from service.wire.gateway import Memories, Memory


class Station(msgspec.Struct, array_like=True):
    seq: int = 0


class Device(msgspec.Struct, array_like=True):
    name: str = ""


def memories() -> tuple[Memory[Station], Memory[Device], Memories]:
    stations, devices = Memory(Station, Station), Memory(Device, Device)
    return stations, devices, Memories(station=stations, device=devices)


def test_each_kind_is_stored_under_its_own_name_and_found_there_again():
    stations, devices, both = memories()
    stations.of("L3/P1").seq = 7
    devices.of("L3/P1").name = "feeder"
    stored = both.take_changes()
    assert sorted(stored) == ["device/L3/P1", "station/L3/P1"]
    stations, devices, both = memories()
    both.restore({key: data for key, data in stored.items() if data is not None})
    assert (stations.of("L3/P1").seq, devices.of("L3/P1").name) == (7, "feeder")


def test_what_no_commit_holds_is_undone_in_each():
    stations, devices, both = memories()
    stations.of("L3/P1").seq = 7
    stored = both.take_changes()
    both.take_changes()  # the commit that held nothing new
    stations.of("L3/P1").seq = 8
    devices.of("D").name = "never stored"
    both.undo(stored.get)
    assert stations.of("L3/P1").seq == 7
    assert devices.seen("D") is None
