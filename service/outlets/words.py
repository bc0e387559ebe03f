"""What a message says, from a notice: where, what, how soon, what to bring, when it may be exchanged.

Pure: the notice comes in with its texts made harmless; language, time zone and link are passed in.
How it is laid out is the outlet's business.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, tzinfo

from service.domain.model import Level, Notice, NoticeState
from service.domain.notices import one_supply
from service.domain.said import put
from service.domain.sayings import HANDOVER, SAYINGS, WEEK, sections_of
from service.language import ENGLISH, Language, english

CAUTION = english(
    "Exchange only as the machine's manual and your local rules allow, and close every guard before restart. "
    "The emergency stop and the drive switch are never a way to pause for a refill."
)

_CLOSED = {
    "refilled": english("it was refilled"),
    "seen refilled": english("it was refilled, as the counts show"),
    "order done": english("the order is done"),
    "removed": english("the supply was taken out"),
    "better": english("it lasts longer than was thought"),
    "answered": english("it was answered"),
    "ended": english("it is over"),
    "undone": english("the exchange was undone"),
}
_TITLES = {
    "supply": english("supply runs out"),
    "question": english("refilled with what?"),
    "silent": english("gateway silent"),
    "loss": english("too many parts lost"),
    "refused": english("messages refused"),
    "outlet": english("messages not delivered"),
    "promise": english("warnings come late"),
    "recipe": english("recipe and counts differ"),
    "wrong part": english("wrong part"),
    "floor life": english("floor life ends"),
    "test": english("a test"),
    "awake": english("awake"),
    "handover": english("change of shifts"),
    "week": english("the week"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """One message. ``title`` stays the same through the notice's life; ``headline`` is what is true now;
    ``sections`` have a title and rows each; ``opens`` is written on the link, ``tongue`` the tag of the
    language."""

    title: str
    headline: str
    facts: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()
    sections: tuple[tuple[str, tuple[str, ...]], ...] = ()
    link: str | None = None
    caution: str | None = None
    opens: str = ""
    tongue: str = "en"

    def text(self) -> str:
        lines = [self.headline, *(f"{name}: {value}" for name, value in self.facts), *self.notes]
        for title, rows in self.sections:
            lines += ["", title, *(f"- {row}" for row in rows)]
        if self.sections:
            lines.append("")
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
    language: Language = ENGLISH,
) -> Words:
    """The message for ``notice`` as it is in this version. ``unheard``: it is closed before its opening could
    be told, so the message says both."""
    speaker = _Speaker(notice, zone, language)
    closed = notice.state == NoticeState.CLOSED
    handy = notice.kind == "supply" and not closed
    return Words(
        title=f"{place(notice, language)}: {speaker.what()}",
        headline=speaker.both() if unheard else speaker.headline(),
        facts=tuple(speaker.facts()) if handy else (),
        notes=tuple(_notes(attempts, language, replaces=replaces)),
        sections=sections(notice, zone, language),
        link=link,
        caution=language.say(CAUTION) if handy else None,
        opens=speaker.opens(),
        tongue=language.tag,
    )


def sections(
    notice: Notice, zone: tzinfo, language: Language = ENGLISH
) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """What a sheet says beyond its headline."""
    return tuple(
        (put(title, zone, language), tuple(put(row, zone, language) for row in rows))
        for title, rows in sections_of(notice.said)
    )


def place(notice: Notice, language: Language = ENGLISH) -> str:
    slot = None if notice.slot is None else language.say("slot {slot}", slot=notice.slot)
    return (
        " ".join(part for part in (notice.line, notice.station, slot) if part)
        or notice.about
        or language.say("site")
    )


def _notes(attempts: int, language: Language, *, replaces: bool) -> Iterator[str]:
    if replaces:
        yield language.say("This replaces a message that could not be delivered in time.")
    elif attempts > 1:
        yield language.say("Delivered late; it may be a repeat.")


@dataclass(frozen=True, slots=True)
class _Speaker:
    """Says one notice in one language."""

    notice: Notice
    zone: tzinfo
    language: Language

    def what(self) -> str:
        return self.language.text(_TITLES.get(self.notice.kind, self.notice.kind))

    def opens(self) -> str:
        if self.notice.kind == HANDOVER:
            return self.language.say("Open the handover")
        if self.notice.kind == WEEK:
            return self.language.say("Open the review")
        if self.notice.kind in SAYINGS:
            return self.language.say("Open the outlets")
        return self.language.say("Open this notice")

    def both(self) -> str:
        return self.language.say(
            "{place}: {what} ({since}), closed by now: {why}.",
            place=place(self.notice, self.language),
            what=self.what(),
            since=self._clock(self.notice.opened_at),
            why=self._why_closed(),
        )

    def headline(self) -> str:
        notice, language = self.notice, self.language
        if notice.kind in SAYINGS:
            return self._message()
        if notice.state == NoticeState.CLOSED:
            return language.say(
                "{place}: closed, {why}.", place=place(notice, self.language), why=self._why_closed()
            )
        who = self._who()
        if notice.kind != "supply":
            return f"{self._message()} ({who})" if who else self._message()
        said = ", ".join(part for part in (self._how_bad(), who) if part)
        how_soon = self._how_soon()
        return f"{said}: {how_soon}." if how_soon else f"{said}."

    def facts(self) -> Iterator[tuple[str, str]]:
        notice, language = self.notice, self.language
        supply = put(one_supply(notice.supply_kind, notice.part), self.zone, self.language)
        yield (
            language.say("Bring"),
            supply if notice.part else language.say("{supply} (part not known)", supply=supply),
        )
        if notice.boundary_only:
            yield (
                language.say("Exchange"),
                language.say("only between two panels, at a stop at the end of the panel"),
            )
        elif notice.supply_kind == "tape":
            yield (
                language.say("Exchange"),
                language.say("a new tape may be spliced on while the machine runs"),
            )
        else:
            yield language.say("Exchange"), language.say("while the machine runs, if its manual allows that")

    def _message(self) -> str:
        said = self.notice.said
        return self.notice.message if said is None else put(said, self.zone, self.language)

    def _how_bad(self) -> str:
        here = place(self.notice, self.language)
        if self.notice.level == Level.EMPTY:
            return self.language.say("{place} is empty and the station waits", place=here)
        if self.notice.level == Level.URGENT:
            return self.language.say("{place} is almost empty", place=here)
        return self.language.say("{place} runs low", place=here)

    def _how_soon(self) -> str | None:
        notice, language = self.notice, self.language
        if notice.level == Level.EMPTY:
            return None
        panels = notice.panels_to_empty
        if panels is None:
            return language.say("how many panels it lasts is not known")
        if panels.p50 <= 0:
            left = language.say("it may not last for the panel in work")
        elif panels.p05 == panels.p95:
            left = language.say_many("{number} panel left", "{number} panels left", panels.p50)
        else:
            left = language.say_many(
                "about {number} panel left ({low} to {high})",
                "about {number} panels left ({low} to {high})",
                panels.p50,
                low=language.number(panels.p05),
                high=language.number(panels.p95),
            )
        if notice.empty_at is None:
            return left
        return language.say("{left}, empty about {clock}", left=left, clock=self._clock(notice.empty_at.p50))

    def _who(self) -> str | None:
        notice, language = self.notice, self.language
        if notice.state == NoticeState.TAKEN:
            if notice.taken_by:
                return language.say("taken by {person}", person=notice.taken_by)
            return language.say("taken")
        if notice.state != NoticeState.QUIET:
            return None
        if notice.quiet_until is not None:
            return language.say("quiet until {clock}", clock=self._clock(notice.quiet_until))
        if notice.quiet_panels is None:
            return language.say("quiet")
        return language.say_many("quiet for {number} panel", "quiet for {number} panels", notice.quiet_panels)

    def _why_closed(self) -> str:
        notice, language = self.notice, self.language
        if notice.closed_because == "person":
            if notice.closed_by:
                return language.say("by {person}", person=notice.closed_by)
            return language.say("by a person")
        because = notice.closed_because
        if because is None:
            return language.say("for no stated reason")
        return language.text(_CLOSED.get(because, because))

    def _clock(self, at: str) -> str:
        """The time on the plant's clocks; with its date when that isn't the day of the change."""
        local = datetime.fromisoformat(at).astimezone(self.zone)
        told = datetime.fromisoformat(self.notice.changed_at).astimezone(self.zone)
        clock = self.language.clock(local)
        return clock if local.date() == told.date() else f"{self.language.day(local)} {clock}"
