"""The sources of a small invented plant behind the port that shows them: one well, one away, one that says
nothing and is refused much, and one on trial."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from service.domain.model import SECOND, to_rfc3339
from service.incoming import Counted, Heard, Listening, SourceRow
from tests.support.notices import AT

SINCE = AT - 3 * 3600 * SECOND
OWN = SourceRow(
    name="mqtt",
    format="native",
    leads_to="broker.ferrow.example",
    topics=("floor/#",),
    state="connected",
    silent_after=None,
    notice=None,
    now=Listening(
        connected=True,
        trouble=None,
        silent_since=None,
        heard=Heard(
            since=SINCE,
            messages=18_402,
            repeats=3,
            heard_at=AT - 2 * SECOND,
            per_minute=102.4,
            said={"count": 18_310, "tower": 77, "supply": 12},
        ),
        counted=Counted(
            stations=[("L3", "P1"), ("L3", "P2")], missing=0, ahead=-40_000, worst=-95_000, flagged=[]
        ),
        gaps=None,
    ),
    trial=None,
)
AWAY = replace(
    OWN,
    name="north-hall",
    format="sparkplug",
    leads_to="broker.north.ferrow.example",
    topics=("spBv1.0/#",),
    state="away",
    notice="n-north-hall",
    now=Listening(
        connected=False,
        trouble="can't reach the broker: [Errno 111] Connection refused",
        silent_since=AT - 900 * SECOND,
        heard=Heard(
            since=SINCE, messages=5120, heard_at=AT - 905 * SECOND, per_minute=0.0, said={"count": 5100}
        ),
        counted=Counted(stations=[("L7", "M1")], missing=4, ahead=0, worst=0, flagged=[]),
        gaps=2,
    ),
)
QUIET = replace(
    OWN,
    name="reflow",
    format="mapped",
    topics=("plant/+/counters",),
    state="quiet",
    silent_after=600,
    notice="n-reflow",
    now=Listening(
        connected=True,
        trouble=None,
        silent_since=AT - 1200 * SECOND,
        heard=Heard(
            since=SINCE,
            messages=200,
            refused=60,
            refused_at=AT - 1300 * SECOND,
            reason="slots.F07.placed: -1 is below 0",
            heard_at=AT - 1200 * SECOND,
            per_minute=0.0,
            said={"count": 140},
        ),
        counted=Counted(
            stations=[("L8", "M1"), ("L8", "M2")],
            missing=0,
            ahead=190 * SECOND,
            worst=400 * SECOND,
            flagged=[("L8", "M2")],
        ),
        gaps=None,
    ),
)
TRIAL = replace(
    OWN,
    name="new-gateway",
    format="opcua",
    topics=("opcua/json/data/#",),
    state="trial",
    now=None,
    trial={
        "source": "new-gateway",
        "since": to_rfc3339(AT - 1800 * SECOND),
        "messages": {"count": 940, "tower": 12},
        "connected": True,
        "trouble": None,
        "slots": [
            {"line": "L3", "station": "P1", "slot": "F07", "trial": {"placed": 1620, "lost": 4},
             "counted": {"placed": 1620, "lost": 4}},
            {"line": "L3", "station": "P1", "slot": "F08", "trial": {"placed": 352, "lost": 0},
             "counted": {"placed": 360, "lost": 2}},
            {"line": "L9", "station": "M1", "slot": "T1", "trial": {"placed": 90, "lost": 0},
             "counted": None},
        ],
        "panels": [{"line": "L3", "station": "P1", "trial": 90, "counted": 90},
                   {"line": "L9", "station": "M1", "trial": 90, "counted": None}],
        "refused": [{"reason": "Payload is missing", "times": 3}],
    },
)  # fmt: skip


@dataclass(slots=True)
class Gateways:
    """The port ``Incoming``."""

    sources: Sequence[SourceRow] = (OWN, AWAY, QUIET, TRIAL)

    def rows(self) -> Sequence[SourceRow]:
        return self.sources

    def replace(self, number: int, **fields: Any) -> None:
        changed = list(self.sources)
        changed[number] = replace(changed[number], **fields)
        self.sources = changed


def elsewhere(row: SourceRow) -> SourceRow:
    """The same while another instance is in charge."""
    return replace(row, state="elsewhere", now=None)
