"""What one message says of several notices: how many and how bad, what to bring, the most urgent in full,
every other by name, and where all of them are. Pure; ``words`` says what a single notice is.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo

import msgspec

from service.domain.model import Change, Level, Notice, NoticeState
from service.domain.notices import one_supply
from service.domain.said import put
from service.domain.sayings import SAYINGS
from service.language import ENGLISH, Language, english
from service.outlets.words import CAUTION, Words, place, sections, words
from service.usecases.deliver import Telling

IN_FULL = 8
"""Up to so many have a line each; of more the first ``HEAD`` have, the rest is a digest."""
HEAD = 5
WORTH_A_SUM = 3
"""From so many slots that need something on, it is added up what to bring."""
PARTS = 8
"""Parts that are named in the sum."""

_GROUPS = {
    "empty": english("Empty, {place}: {slots}"),
    "urgent": english("Almost empty, {place}: {slots}"),
    "early": english("Low, {place}: {slots}"),
    "taken": english("Taken, {place}: {slots}"),
    "quiet": english("Quiet, {place}: {slots}"),
    "closed": english("Closed, {place}: {slots}"),
}


def reminder(language: Language = ENGLISH) -> str:
    """What a message says that tells the same once more."""
    return language.say("It is still open, and nobody has taken it.")


def message(
    told: Sequence[Telling],
    *,
    zone: tzinfo,
    link: str | None = None,
    late: bool = False,
    language: Language = ENGLISH,
) -> Words:
    """Of one or several, most urgent first, texts made harmless. ``late``: it was tried before."""
    if len(told) > 1:
        return bundle(told, zone=zone, link=link, late=late, language=language)
    (one,) = told
    said = words(
        one.notice,
        zone=zone,
        link=link,
        attempts=2 if late else 1,
        replaces=late and one.replaces is not None,
        unheard=one.unheard,
        language=language,
    )
    again = one.change is Change.REMINDED
    return replace(said, notes=(reminder(language), *said.notes)) if again else said


def bundle(
    told: Sequence[Telling],
    *,
    zone: tzinfo,
    link: str | None = None,
    late: bool = False,
    language: Language = ENGLISH,
) -> Words:
    """Of several."""
    speaker = _Speaker(told, zone, language)
    several, needy = len({each.notice.line for each in told}) > 1, speaker.needy()
    sums = needy[WORTH_A_SUM - 1 :]
    notes = [language.say("Delivered late; it may be a repeat.")] if late else []
    headline = speaker.headline()
    return Words(
        title=headline,
        headline=f"{headline}.",
        facts=((language.say("Bring"), speaker.bring()),) if sums else (),
        notes=(*speaker.lines(), *notes),
        sections=tuple(part for each in told for part in sections(each.notice, zone, language)),
        link=link,
        caution=language.say(CAUTION) if needy else None,
        opens=language.say("Open the page of all lines") if several else language.say("Open this line"),
        tongue=language.tag,
    )


@dataclass(frozen=True, slots=True)
class _Speaker:
    """Says several notices in one language."""

    told: Sequence[Telling]
    zone: tzinfo
    language: Language

    def needy(self) -> list[Notice]:
        """Those for which somebody has to bring something."""
        return [each.notice for each in self.told if _sort(each.notice) in set(Level)]

    def headline(self) -> str:
        counts = Counter(_sort(each.notice) for each in self.told)
        said = ", ".join(self._count(sort, counts[sort]) for sort in _SORTS if counts[sort])
        return f"{self._where()}: {said}"

    def _where(self) -> str:
        line = self._line()
        if line is not None:
            return line
        lines = {each.notice.line for each in self.told} - {None}
        return self.language.say_many("1 line", "{number} lines", len(lines))

    def _line(self) -> str | None:
        """The one that all are on."""
        lines = {each.notice.line for each in self.told}
        return next(iter(lines)) if len(lines) == 1 else None

    def _count(self, sort: str, number: int) -> str:
        many = self.language.say_many
        match sort:
            case "empty":
                return many("1 slot empty", "{number} slots empty", number)
            case "urgent":
                return many("1 slot almost empty", "{number} slots almost empty", number)
            case "early":
                return many("1 slot runs low", "{number} slots run low", number)
            case "taken":
                return many("1 taken", "{number} taken", number)
            case "quiet":
                return many("1 quiet", "{number} quiet", number)
            case "closed":
                return many("1 closed", "{number} closed", number)
        return many("1 other notice", "{number} other notices", number)

    def bring(self) -> str:
        """Everything that is needed, the most of one part first."""
        counts = Counter((each.supply_kind or "", each.part) for each in self.needy())
        named = counts.most_common(PARTS)
        said = [self._supplies(kind, part, number) for (kind, part), number in named]
        if more := len(counts) - len(named):
            said.append(self.language.say_many("1 more part", "{number} more parts", more))
        return ", ".join(said)

    def _supplies(self, kind: str, part: str | None, number: int) -> str:
        if number == 1:
            return put(one_supply(kind, part), self.zone, self.language)
        many = self.language.say_many
        match kind:
            case "tape":
                said = many("1 reel", "{number} reels", number)
            case "tray":
                said = many("1 tray", "{number} trays", number)
            case "stick":
                said = many("1 stick", "{number} sticks", number)
            case "bulk":
                said = many("1 bulk case", "{number} bulk cases", number)
            case _:
                said = many("1 supply", "{number} supplies", number)
        return self.language.say("{supplies} of {part}", supplies=said, part=part) if part else said

    def lines(self) -> Iterator[str]:
        head = len(self.told) if len(self.told) <= IN_FULL else HEAD
        yield from (self._in_full(each) for each in self.told[:head])
        yield from self._in_short(self.told[head:])

    def _in_full(self, told: Telling) -> str:
        said = self._supply(told.notice) if _sort(told.notice) in set(Level) else self._other(told)
        return f"{said} {reminder(self.language)}" if told.change is Change.REMINDED else said

    def _supply(self, notice: Notice) -> str:
        say = self.language.say
        what = put(one_supply(notice.supply_kind, notice.part), self.zone, self.language)
        if notice.boundary_only:
            what = say("{supply}, only between two panels", supply=what)
        return say(
            "{place}: {left}; {supply}.", place=self._place(notice), left=self._left(notice), supply=what
        )

    def _left(self, notice: Notice) -> str:
        say, many = self.language.say, self.language.say_many
        panels = notice.panels_to_empty
        if notice.level == Level.EMPTY:
            return say("empty, the station waits")
        if panels is None:
            return say("how many panels it lasts is not known")
        if panels.p50 <= 0:
            left = say("it may not last for the panel in work")
        elif panels.p05 == panels.p95:
            left = many("{number} panel left", "{number} panels left", panels.p50)
        else:
            left = many("about {number} panel left", "about {number} panels left", panels.p50)
        if notice.empty_at is None:
            return left
        return say("{left}, empty about {clock}", left=left, clock=self._clock(notice.empty_at.p50, notice))

    def _clock(self, at: str, notice: Notice) -> str:
        """With its date when that isn't the day of the change."""
        local = datetime.fromisoformat(at).astimezone(self.zone)
        told = datetime.fromisoformat(notice.changed_at).astimezone(self.zone)
        clock = self.language.clock(local)
        return clock if local.date() == told.date() else f"{self.language.day(local)} {clock}"

    def _other(self, told: Telling) -> str:
        """A notice about something else, or one that calls for nobody any more."""
        notice = self._here(told.notice)
        return words(notice, zone=self.zone, unheard=told.unheard, language=self.language).headline

    def _place(self, notice: Notice) -> str:
        return place(self._here(notice), self.language)

    def _here(self, notice: Notice) -> Notice:
        """Without its line, where the message has said it."""
        said = notice.station is not None and self._line() is not None
        return msgspec.structs.replace(notice, line=None) if said else notice

    def _in_short(self, told: Sequence[Telling]) -> Iterator[str]:
        groups = defaultdict[tuple[str, str], list[str]](list)
        others = []
        for each in told:
            sort, slot = _sort(each.notice), each.notice.slot
            if sort in _GROUPS and slot is not None:
                groups[sort, self._station(each.notice)].append(self._slot(sort, each.notice, slot))
            else:
                others.append(self._other(each))
        for (sort, where), slots in groups.items():
            yield self.language.say(_GROUPS[sort], place=where, slots=", ".join(slots))
        yield from others
        if any(sort in {"early", "urgent"} for sort, _ in groups):
            yield self.language.say("Panels left are in brackets.")

    def _station(self, notice: Notice) -> str:
        return place(msgspec.structs.replace(self._here(notice), slot=None), self.language)

    def _slot(self, sort: str, notice: Notice, slot: str) -> str:
        panels = notice.panels_to_empty
        if sort not in {"early", "urgent"} or panels is None:
            return slot
        return f"{slot} ({self.language.number(max(0, panels.p50))})"


_SORTS = (*_GROUPS, "other")


def _sort(notice: Notice) -> str:
    """The level of what calls for a supply, the state of what calls for nobody, ``other``."""
    if notice.state != NoticeState.OPEN and notice.kind not in SAYINGS:
        return notice.state
    return notice.level if notice.kind == "supply" else "other"
