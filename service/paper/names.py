"""What a report's words mean to people."""

from __future__ import annotations

from collections.abc import Mapping

from service.domain.said import Said
from service.domain.spoken import CAUSES

VERDICTS: Mapping[str, Said] = {
    "in time": Said("in time"),
    "late": Said("late"),
    "missed": Said("missed"),
    "needless": Said("for nothing"),
    "apart": Said("could not be earlier"),
    "open": Said("still open"),
    "not judged": Said("not judged"),
}
KEPT: Mapping[str, Said] = {
    "in it": Said("in its stop"),
    "earlier": Said("before it"),
    "later": Said("after it"),
    "never": Said("never"),
    "ahead": Said("still ahead"),
    "dropped": Said("given up by the plan"),
}
STATES: Mapping[str, Said] = {
    "productive": Said("Productive"),
    "standby": Said("Standby"),
    "engineering": Said("Engineering"),
    "scheduled downtime": Said("Scheduled downtime"),
    "unscheduled downtime": Said("Unscheduled downtime"),
    "non-scheduled": Said("Non-scheduled"),
}
TIMES: Mapping[str, Said] = {
    "production": Said("production"),
    "set-up": Said("set-up"),
    "delay": Said("delay"),
    "down": Said("down"),
    "planned down": Said("outside"),
}
STEPS: Mapping[str, Said] = {
    **CAUSES,
    "time": Said("all the time"),
    "planned": Said("planned to work"),
    "worked": Said("worked"),
    "work": Said("work"),
}
READINGS: Mapping[str, Said] = {
    "running": Said("running"),
    "low": Said("a supply runs low"),
    "out": Said("a supply is out"),
    "fault": Said("fault"),
    "none": Said("no lamp that says anything"),
}
LEVELS: Mapping[str, Said] = {"early": Said("early"), "urgent": Said("urgent"), "empty": Said("empty")}
KINDS: Mapping[str | None, Said] = {
    "tape": Said("tape"),
    "tray": Said("tray"),
    "stick": Said("stick"),
    "bulk": Said("bulk case"),
    None: Said("not known"),
}
LOADS: Mapping[str, Said] = {
    "very likely acceptable": Said("can be followed"),
    "manageable": Said("just manageable"),
    "too much": Said("too much"),
}
