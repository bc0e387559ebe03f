"""The outlets and deliveries of a small invented plant, in memory, behind the ports that show them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from service.domain.model import SECOND, Change, Instant
from service.outgoing import (
    Alive,
    DeliveryRow,
    DeliveryState,
    NotDead,
    OutletRow,
    Preview,
    Shown,
    Tested,
    TooSoon,
)
from tests.support.notices import AT

WELL = OutletRow(
    name="line-3",
    type="chat",
    leads_to="chat.ferrow.example",
    recipients=None,
    state="well",
    since=None,
    paused_until=None,
    succeeded_at=AT - 600 * SECOND,
    failed_at=None,
    error=None,
    waiting=0,
    dead=0,
    phones=None,
    routed=True,
    notice=None,
)
FAILING = replace(
    WELL,
    name="shift-mail",
    type="email",
    leads_to="mail.ferrow.example",
    recipients=2,
    state="failing",
    since=AT - 300 * SECOND,
    failed_at=AT - 20 * SECOND,
    error="connection refused",
    waiting=4,
    notice="n-shift-mail",
)
GONE = replace(
    WELL,
    name="old-hook",
    type="webhook",
    leads_to="hooks.ferrow.example",
    state="gone",
    since=AT - 900 * SECOND,
    failed_at=AT - 900 * SECOND,
    error="answered 410 Gone",
    dead=2,
    notice="n-old-hook",
)
UNHEARD = replace(
    WELL,
    name="phones",
    type="push",
    leads_to=None,
    state="new",
    succeeded_at=None,
    phones=0,
    routed=False,
)


def dead(number: int, **fields: object) -> DeliveryRow:
    row = DeliveryRow(
        id=number,
        outlet="old-hook",
        notice=f"n{number}",
        change=Change.OPENED,
        version=1,
        state="dead",
        attempts=1,
        error="answered 410 Gone",
        created_at=AT - 900 * SECOND,
        next_try=None,
        settled_at=AT - 899 * SECOND,
    )
    return replace(row, **fields)  # type: ignore[arg-type]


SILENT = Alive(
    leads_to=None,
    every_minutes=5.0,
    beat_at=None,
    failed_at=None,
    error=None,
    at=None,
    outlets=(),
    said_on=None,
)
WATCHED = replace(
    SILENT,
    leads_to="monitor.ferrow.example",
    beat_at=AT,
    at="07:00",
    outlets=("line-3",),
    said_on="2026-03-02",
)


@dataclass(slots=True)
class Office:
    """``answers`` says why a test through an outlet fails; ``busy`` are those that were tested just now."""

    outlets: list[OutletRow] = field(default_factory=lambda: [WELL])
    rows_of: list[DeliveryRow] = field(default_factory=list)
    answers: dict[str, str] = field(default_factory=dict)
    busy: set[str] = field(default_factory=set)
    lives: Alive = SILENT
    tests: list[tuple[str, str | None]] = field(default_factory=list)

    def rows(self) -> Sequence[OutletRow]:
        return self.outlets

    async def test(self, name: str, *, by: str | None) -> Tested:
        self._named(name)
        if name in self.busy:
            raise TooSoon(4)
        self.tests.append((name, by))
        reason = self.answers.get(name)
        return Tested(outlet=name, delivered=reason is None, reason=reason, seconds=0.4)

    async def preview(self, name: str) -> Sequence[Preview]:
        if self._named(name).type == "push":
            return []
        shown = Shown(
            headers=[("content-type", "application/json")], text='{"text": "L3 P1 slot T2 runs low"}'
        )
        return [Preview(sample="early", shown=shown), Preview(sample="closed", shown=shown)]

    def alive(self) -> Alive:
        return self.lives

    def deliveries(
        self, *, state: DeliveryState | None, limit: int, after: Instant | None
    ) -> Sequence[DeliveryRow]:
        fitting = [
            row for row in self.rows_of if state in {None, row.state} and (after is None or row.id < after)
        ]
        return sorted(fitting, key=lambda row: -row.id)[:limit]

    def again(self, delivery_id: int, *, by: str) -> DeliveryRow:
        for index, row in enumerate(self.rows_of):
            if row.id == delivery_id:
                if row.state != "dead":
                    raise NotDead(row)
                self.rows_of[index] = replace(row, state="waiting", settled_at=None)
                return self.rows_of[index]
        raise KeyError(delivery_id)

    def _named(self, name: str) -> OutletRow:
        return {each.name: each for each in self.outlets}[name]
