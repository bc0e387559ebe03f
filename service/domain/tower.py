"""What a signal tower says: lamp states to one of five readings.

By common practice (no source): yellow flashing means a supply runs low, yellow flashing with the buzzer
that one is out and the station waits. Red and green follow IEC 60204-1, 10.3.2. Other plants name other
rules; a colour alone is never the only evidence."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import StrEnum

from service.domain.events import TowerMessage
from service.domain.policy import TowerRule


class Reading(StrEnum):
    OUT = "out"
    FAULT = "fault"
    LOW = "low"
    RUNNING = "running"
    NONE = "none"


def lamps_of(message: TowerMessage) -> dict[str, str]:
    return {str(colour): str(lamp) for colour, lamp in message.lamps.items()}


def read(message: TowerMessage, rule: TowerRule) -> Reading:
    """The first reading, worst first, all of whose lamps agree; a lamp that isn't named is off."""
    lamps = lamps_of(message) | {"buzzer": message.buzzer}
    conditions = (
        (Reading.OUT, rule.out),
        (Reading.FAULT, rule.fault),
        (Reading.LOW, rule.low),
        (Reading.RUNNING, rule.running),
    )
    for reading, condition in conditions:
        if shows(lamps, condition):
            return reading
    return Reading.NONE


def shows(lamps: Mapping[str, str], condition: Mapping[str, Sequence[str]]) -> bool:
    """Whether all lamps of a condition agree; one without lamps never holds."""
    return bool(condition) and all(lamps.get(lamp, "off") in states for lamp, states in condition.items())


def waits(reading: str, lamps: Mapping[str, str], rule: TowerRule) -> bool:
    """Neither out nor fault, and its light for running isn't on: by common practice (no source) the station
    waits for something."""
    stopped = reading in (Reading.OUT, Reading.FAULT)
    return not stopped and bool(rule.running) and not shows(lamps, rule.running)
