"""What a signal tower says: lamp states to one of five readings.

By common practice (no source): yellow flashing means a supply runs low, yellow flashing with the buzzer
that one is out and the station waits. Red and green follow IEC 60204-1, 10.3.2. Other plants name other
rules; a colour alone is never the only evidence."""

from __future__ import annotations

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
        if condition and all(lamps.get(lamp, "off") in states for lamp, states in condition.items()):
            return reading
    return Reading.NONE
