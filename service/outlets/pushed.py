"""What a phone is told: the message that its service worker shows, small enough for every push service.

The texts are made here, also those that the worker says after a press: so it needs no language of its own,
and they come in the phone's.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo
from itertools import chain
from typing import Literal, cast
from urllib.parse import quote

import msgspec

from service.domain.model import Level, Notice, NoticeState
from service.domain.sayings import SAYINGS, TEST
from service.language import ENGLISH, Language
from service.outlets.escape import cleaned, plain
from service.outlets.sealed import LARGEST
from service.outlets.words import Words, words
from service.usecases.deliver import Telling

QUIET_PANELS = 5
QUIET_MINUTES = 30
"""As the page's buttons do."""
MOST_LISTED = 10
_LONGEST_BODY = 1200
_LONGEST_ITEM = 110

Urgency = Literal["low", "normal", "high"]


@dataclass(frozen=True, slots=True, kw_only=True)
class News:
    """One thing to tell; ``key`` opens its notice to whoever the outlet reaches."""

    told: Telling
    attempts: int
    key: str | None

    @property
    def notice(self) -> Notice:
        return self.told.notice

    @property
    def calls(self) -> bool:
        """It calls for somebody: the phone sounds. What was taken, quietened or closed only changes what it
        shows."""
        return self.notice.state == NoticeState.OPEN or self.notice.kind == TEST


def pushed(
    news: Sequence[News], *, person: str, zone: tzinfo, language: Language = ENGLISH
) -> dict[str, object]:
    """The message of one or several changes, most urgent first, for a phone of ``person``."""
    said = [_words(each, zone, language) for each in news]
    message = _alone(news[0], said[0], language) if len(news) == 1 else _together(news, said, language)
    return message | {
        "silent": not any(each.calls for each in news),
        "at": max(each.notice.changed_at for each in news),
        "items": [_item(each, words_) for each, words_ in zip(news[:MOST_LISTED], said, strict=False)],
        "by": person,
        "said": _answers(language),
    }


_SIZES = ((_LONGEST_ITEM, MOST_LISTED), (40, MOST_LISTED), (20, MOST_LISTED), (20, 5), (0, 1))


def encoded(message: dict[str, object]) -> bytes:
    """The message as it is sent. Where all of it would be too long, what is kept of each of several is cut
    first, then the body, then how many are kept."""
    items = cast(list[dict[str, object]], message["items"])
    sizes = [
        message | {"items": [item | {"text": str(item["text"])[:longest]} for item in items[:most]]}
        for longest, most in _SIZES
    ]
    whole = (msgspec.json.encode(each) for each in sizes[:3])
    cut = (_with_body_cut(each) for each in sizes[2:])
    return next((data for data in chain(whole, cut) if len(data) <= LARGEST), b"")


def _with_body_cut(message: dict[str, object]) -> bytes:
    data = msgspec.json.encode(message)
    body = str(message["body"])
    while len(data) > LARGEST and body:
        body = body[: max(0, len(body) - max(8, (len(data) - LARGEST) // 4))]
        data = msgspec.json.encode(message | {"body": f"{body}…"})
    return data


def urgency(news: Sequence[News]) -> Urgency:
    """RFC 8030, 5.3. A phone that lies still is woken for ``high`` only, and a supply that runs low has
    minutes, so each warning is; what only informs waits until the phone is awake."""
    calling = [each for each in news if each.calls]
    if not calling:
        return "low"
    return "high" if any(each.notice.kind in ("supply", TEST) for each in calling) else "normal"


def topic(outlet: str, news: Sequence[News]) -> str | None:
    """RFC 8030, 5.4: what waits at the service about the same notice is replaced. Messages about several
    replace nothing: each may have told of others."""
    if len(news) != 1:
        return None
    digest = hashlib.sha256(f"{outlet}\0{news[0].notice.id}".encode()).digest()
    return base64.urlsafe_b64encode(digest)[:32].decode()


def _words(news: News, zone: tzinfo, language: Language) -> Words:
    return words(
        cleaned(news.notice, plain),
        zone=zone,
        attempts=news.attempts,
        replaces=news.told.replaces is not None,
        unheard=news.told.unheard,
        language=language,
    )


def _alone(news: News, said: Words, language: Language) -> dict[str, object]:
    notice = news.notice
    page: dict[str, object] = {} if notice.kind in SAYINGS else {"url": _url(news), "key": news.key}
    return page | {
        "tag": f"notice {notice.id}",
        "title": said.title,
        "body": said.text()[:_LONGEST_BODY],
        "actions": _actions(notice, language),
        "quiet": {"panels": QUIET_PANELS} if notice.kind == "supply" else {"minutes": QUIET_MINUTES},
        "level": notice.level,
    }


def _together(news: Sequence[News], said: Sequence[Words], language: Language) -> dict[str, object]:
    lines = {each.notice.line for each in news}
    line = lines.pop() if len(lines) == 1 else None
    listed = [words_.headline[:_LONGEST_ITEM] for words_ in said[:MOST_LISTED]]
    if more := len(news) - len(listed):
        listed.append(language.say_many("and 1 more", "and {number} more", more))
    many = language.say_many("1 notice", "{number} notices", len(news))
    return {
        "tag": f"line {line}" if line else "site",
        "title": f"{plain(line)}: {many}" if line else many,
        "body": "\n".join(listed),
        "actions": [],
        "url": f"/?line={quote(line, safe='', errors='replace')}" if line else "/",
        "key": None,
        "level": max((Level(each.notice.level) for each in news), key=lambda level: level.rank).value,
    }


def _item(news: News, said: Words) -> dict[str, object]:
    """What the worker keeps of each, to know what a later message makes old."""
    notice = news.notice
    return {"id": notice.id, "version": notice.version, "text": said.headline[:_LONGEST_ITEM]}


def _url(news: News) -> str:
    """On whatever address the phone has reached us by; the key stands behind #, where no server sees it."""
    return f"/notice/{quote(news.notice.id, safe='')}" + (f"#key={news.key}" if news.key else "")


def _actions(notice: Notice, language: Language) -> list[dict[str, str]]:
    if notice.state != NoticeState.OPEN or notice.kind == "question" or notice.kind in SAYINGS:
        return []
    if notice.kind == "supply":
        quiet = language.say_many("Quiet 1 panel", "Quiet {number} panels", QUIET_PANELS)
    else:
        quiet = language.say_many("Quiet 1 minute", "Quiet {number} minutes", QUIET_MINUTES)
    return [
        {"action": "take", "title": language.say("I'm on it")},
        {"action": "quiet", "title": quiet},
    ]


def _answers(language: Language) -> dict[str, str]:
    """What is said after a press; ``{name}`` is filled in by the worker, so it stays in the text."""
    return {
        "take": language.say("You are on it."),
        "quiet": language.say("Quiet, unless it gets worse."),
        "first": language.say("{name} was first.", name="{name}"),
        "someone": language.say("Someone was first."),
        "closed": language.say("It was closed meanwhile."),
        "ended": language.say("This message can't act any more. Tap to open the notice."),
        "lost": language.say("No connection. Nothing is known to be stored; try again."),
    }
