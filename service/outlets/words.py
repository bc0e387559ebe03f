"""What a message says, from a notice: where, what, how soon, what to bring, when it may be exchanged.

Pure: the notice comes in with its texts made harmless, the time zone and the link are passed in. How it is
laid out is the outlet's business.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, tzinfo

from service.domain.model import Level, Notice, NoticeState
from service.domain.sayings import SAYINGS

CAUTION = (
    "Exchange only as the machine's manual and your local rules allow, and close every guard before restart. "
    "The emergency stop and the drive switch are never a way to pause for a refill."
)

_NOUNS = {"tape": "reel", "tray": "tray", "stick": "stick", "bulk": "bulk case"}
_CLOSED = {
    "refilled": "it was refilled",
    "seen refilled": "it was refilled, as the counts show",
    "order done": "the order is done",
    "removed": "the supply was taken out",
    "better": "it lasts longer than was thought",
    "answered": "it was answered",
    "ended": "it is over",
}
_TITLES = {
    "supply": "supply runs out",
    "question": "refilled with what?",
    "silent": "gateway silent",
    "loss": "too many parts lost",
    "refused": "messages refused",
    "outlet": "messages not delivered",
    "promise": "warnings come late",
    "test": "a test",
    "awake": "awake",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """One message. ``title`` stays the same through the notice's life; ``headline`` is what is true now."""

    title: str
    headline: str
    facts: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()
    link: str | None = None
    caution: str | None = None

    def text(self) -> str:
        lines = [self.headline, *(f"{name}: {value}" for name, value in self.facts), *self.notes]
        if self.caution:
            lines.append(self.caution)
        if self.link:
            lines.append(self.link)
        return "\n".join(lines)


def words(
    notice: Notice,
    *,
    zone: tzinfo,
    link: str | None = None,
    attempts: int = 1,
    replaces: bool = False,
    unheard: bool = False,
) -> Words:
    """The message for ``notice`` as it is in this version. ``unheard``: it is closed before its opening could
    be told, so the message says both."""
    closed = notice.state == NoticeState.CLOSED
    handy = notice.kind == "supply" and not closed
    return Words(
        title=f"{place(notice)}: {_TITLES.get(notice.kind, notice.kind)}",
        headline=_both(notice, zone) if unheard else _headline(notice, zone),
        facts=tuple(_facts(notice)) if handy else (),
        notes=tuple(_notes(attempts, replaces=replaces)),
        link=link,
        caution=CAUTION if handy else None,
    )


def place(notice: Notice) -> str:
    slot = None if notice.slot is None else f"slot {notice.slot}"
    return " ".join(part for part in (notice.line, notice.station, slot) if part) or notice.about or "site"


def _both(notice: Notice, zone: tzinfo) -> str:
    what = _TITLES.get(notice.kind, notice.kind)
    since = _clock(notice.opened_at, notice, zone)
    return f"{place(notice)}: {what} ({since}), closed by now: {_why_closed(notice)}."


def _headline(notice: Notice, zone: tzinfo) -> str:
    if notice.kind in SAYINGS:
        return notice.message
    if notice.state == NoticeState.CLOSED:
        return f"{place(notice)}: closed, {_why_closed(notice)}."
    who = _who(notice, zone)
    if notice.kind != "supply":
        return f"{notice.message} ({who})" if who else notice.message
    said = f"{place(notice)} {_how_bad(notice)}"
    if who:
        said += f", {who}"
    how_soon = _how_soon(notice, zone)
    return f"{said}: {how_soon}." if how_soon else f"{said}."


def _how_bad(notice: Notice) -> str:
    return {
        Level.EMPTY.value: "is empty and the station waits",
        Level.URGENT.value: "is almost empty",
    }.get(notice.level, "runs low")


def _how_soon(notice: Notice, zone: tzinfo) -> str | None:
    if notice.level == Level.EMPTY:
        return None
    panels = notice.panels_to_empty
    if panels is None:
        return "how many panels it lasts is not known"
    if panels.p50 <= 0:
        left = "it may not last for the panel in work"
    elif panels.p05 == panels.p95:
        left = f"{_panels(panels.p50)} left"
    else:
        left = f"about {_panels(panels.p50)} left ({panels.p05} to {panels.p95})"
    return (
        left
        if notice.empty_at is None
        else f"{left}, empty about {_clock(notice.empty_at.p50, notice, zone)}"
    )


def _panels(count: int) -> str:
    return "1 panel" if count == 1 else f"{count} panels"


def _who(notice: Notice, zone: tzinfo) -> str | None:
    if notice.state == NoticeState.TAKEN:
        return f"taken by {notice.taken_by}" if notice.taken_by else "taken"
    if notice.state == NoticeState.QUIET:
        if notice.quiet_until is not None:
            return f"quiet until {_clock(notice.quiet_until, notice, zone)}"
        return "quiet" if notice.quiet_panels is None else f"quiet for {_panels(notice.quiet_panels)}"
    return None


def _why_closed(notice: Notice) -> str:
    if notice.closed_because == "person":
        return f"by {notice.closed_by}" if notice.closed_by else "by a person"
    because = notice.closed_because or "for no stated reason"
    return _CLOSED.get(because, because)


def _facts(notice: Notice) -> Iterator[tuple[str, str]]:
    noun = _NOUNS.get(notice.supply_kind or "", "supply")
    yield "Bring", f"one {noun} of {notice.part}" if notice.part else f"one {noun} (part not known)"
    if notice.boundary_only:
        yield "Exchange", "only between two panels, at a stop at the end of the panel"
    elif notice.supply_kind == "tape":
        yield "Exchange", "a new tape may be spliced on while the machine runs"
    else:
        yield "Exchange", "while the machine runs, if its manual allows that"


def _notes(attempts: int, *, replaces: bool) -> Iterator[str]:
    if replaces:
        yield "This replaces a message that could not be delivered in time."
    elif attempts > 1:
        yield "Delivered late; it may be a repeat."


def _clock(at: str, notice: Notice, zone: tzinfo) -> str:
    """The time on the plant's clocks; with its date when that isn't the day of the change."""
    local = datetime.fromisoformat(at).astimezone(zone)
    told = datetime.fromisoformat(notice.changed_at).astimezone(zone)
    return f"{local:%H:%M}" if local.date() == told.date() else f"{local:%Y-%m-%d %H:%M}"
