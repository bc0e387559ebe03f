"""A notice as a letter: headers that hold one thread together, a text and an HTML side. Pure.

Message-IDs derive from notice, version and outlet. So a retry carries the id of the first try, and the chain
of replies is known without keeping anything: version 3 answers 2, which answered 1 (RFC 5322, 3.6.4).

A letter about several notices has an id of its own and names the ids that their versions would have had, so
it stands in the thread of each, and so does whatever comes of them later (RFC 5256, THREAD=REFERENCES). Its
id says which versions it tells: mail systems may drop what they have seen under one id.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from datetime import datetime
from email.headerregistry import Address, BaseHeader, HeaderRegistry, UnstructuredHeader
from email.message import EmailMessage
from email.policy import SMTP, EmailPolicy, Policy
from typing import NamedTuple

import jinja2

from service.outlets.words import Words

LONGEST_CHAIN = 20
"""Ids in References of one notice: the first, which names the thread, and the nearest."""
MOST_JOINED = 500
"""Other notices that a letter about several joins: with 60 characters each some 60 KB of header, and mail
servers commonly take 100."""


class _Ids(UnstructuredHeader, BaseHeader):
    """Message ids, one a line. The library would fold long ones into encoded words, which no reader joins."""

    max_count = 1

    def fold(self, *, policy: Policy) -> str:
        return f"{self.name}: " + f"{policy.linesep} ".join(str(self).split()) + policy.linesep


def _policy() -> EmailPolicy[EmailMessage]:
    headers = HeaderRegistry()
    for name in ("message-id", "in-reply-to", "references"):
        headers.map_to_type(name, _Ids)
    return SMTP.clone(header_factory=headers, cte_type="7bit")


POLICY = _policy()

_PAGE = jinja2.Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True).from_string(
    """\
<!doctype html>
<html lang="{{ words.tongue }}">
<head>
<meta charset="utf-8">
<meta name="color-scheme" content="light dark">
<title>{{ words.title }}</title>
</head>
<body style="font: 16px/1.5 sans-serif; max-width: 36em; margin: 1em auto; padding: 0 1em">
<p style="font-size: 1.25em"><strong>{{ words.headline }}</strong></p>
{% for name, value in words.facts %}
<p style="margin: 0.25em 0"><strong>{{ name }}:</strong> {{ value }}</p>
{% endfor %}
{% for note in words.notes %}
<p>{{ note }}</p>
{% endfor %}
{% for title, rows in words.sections %}
<h2 style="font-size: 1.05em; margin: 1.25em 0 0.25em">{{ title }}</h2>
<ul style="margin: 0; padding-left: 1.25em">
{% for row in rows %}
<li>{{ row }}</li>
{% endfor %}
</ul>
{% endfor %}
{% if words.link %}
<p><a href="{{ words.link }}">{{ words.opens }}</a></p>
{% endif %}
{% if words.caution %}
<p><small>{{ words.caution }}</small></p>
{% endif %}
</body>
</html>
"""
)


class Told(NamedTuple):
    """What a letter tells; ``again`` counts how often the same was said once more."""

    notice: str
    version: int
    again: int = 0


class Thread(NamedTuple):
    """Where a letter stands; ``before`` are the ids it follows, the nearest last. ``answers`` is the letter
    before."""

    message_id: str
    before: Sequence[str]
    answers: str | None


def message_id(told: Told, *, outlet: str, domain: str) -> str:
    again = f".r{told.again}" if told.again else ""
    return f"<{_atom(told.notice)}.v{told.version}{again}.{_atom(outlet)}@{domain}>"


def thread(told: Sequence[Told], *, outlet: str, domain: str) -> Thread:
    """Of what one letter tells, most urgent first."""
    first, *others = told

    def ids(each: Told, since: int, until: int) -> list[str]:
        numbers = range(max(1, since), until + 1)
        return [message_id(Told(each.notice, one), outlet=outlet, domain=domain) for one in numbers]

    if not others:
        before = ids(first, 1, first.version if first.again else first.version - 1)
        mine = message_id(first, outlet=outlet, domain=domain)
        return Thread(mine, _shortened(before), before[-1] if before else None)
    name = hashlib.sha256(repr(sorted(told)).encode(errors="surrogatepass")).hexdigest()[:20]
    joined = [one for each in others[:MOST_JOINED] for one in ids(each, each.version - 1, each.version)]
    own = ids(first, 1, first.version)
    answers = own[-2] if len(own) > 1 else None
    return Thread(f"<bundle.{name}.{_atom(outlet)}@{domain}>", [*joined, *_shortened(own)], answers)


def _shortened(chain: Sequence[str]) -> Sequence[str]:
    return chain if len(chain) <= LONGEST_CHAIN else [chain[0], *chain[1 - LONGEST_CHAIN :]]


def letter(
    words: Words,
    *,
    told: Sequence[Told],
    outlet: str,
    sender: Address,
    recipients: Sequence[Address],
    date: datetime,
) -> EmailMessage:
    """The message to send for these versions; its texts must have been made harmless."""
    stands = thread(told, outlet=outlet, domain=sender.domain)
    mail = EmailMessage(policy=POLICY)
    mail["From"] = sender
    mail["To"] = tuple(recipients)
    title = words.title.replace("=?", "= ?")  # the library would decode it, line ends and all
    mail["Subject"] = f"Re: {title}" if stands.answers and len(told) == 1 else title
    mail["Date"] = date
    mail["Message-ID"] = stands.message_id
    if stands.answers:
        mail["In-Reply-To"] = stands.answers
    if stands.before:
        mail["References"] = " ".join(stands.before)
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no holiday reply comes back
    mail.set_content(words.text() + "\n")
    mail.add_alternative(_PAGE.render(words=words), subtype="html")
    return mail


def _atom(text: str) -> str:
    """``text`` where it may stand in an id as it is, else a digest of it."""
    if re.fullmatch(r"[A-Za-z0-9_-]{1,64}", text):
        return text
    return hashlib.sha256(text.encode(errors="surrogatepass")).hexdigest()[:20]
