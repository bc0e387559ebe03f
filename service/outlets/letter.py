"""A notice as a letter: headers that hold one thread together, a text and an HTML side. Pure.

Message-IDs derive from notice, version and outlet. So a retry carries the id of the first try, and the chain
of replies is known without keeping anything: version 3 answers 2, which answered 1 (RFC 5322, 3.6.4).
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from datetime import datetime
from email.headerregistry import Address, BaseHeader, HeaderRegistry, UnstructuredHeader
from email.message import EmailMessage
from email.policy import SMTP, EmailPolicy, Policy

import jinja2

from service.outlets.words import Words

LONGEST_CHAIN = 20
"""Ids in References: the first, which names the thread, and the nearest."""


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


def message_id(notice_id: str, version: int, *, outlet: str, domain: str) -> str:
    return f"<{_atom(notice_id)}.v{version}.{_atom(outlet)}@{domain}>"


def letter(
    words: Words,
    *,
    notice_id: str,
    version: int,
    outlet: str,
    sender: Address,
    recipients: Sequence[Address],
    date: datetime,
) -> EmailMessage:
    """The message to send for this version of the notice; its texts must have been made harmless."""
    ids = [
        message_id(notice_id, number, outlet=outlet, domain=sender.domain) for number in range(1, version + 1)
    ]
    mine, before = ids[-1], ids[:-1]
    mail = EmailMessage(policy=POLICY)
    mail["From"] = sender
    mail["To"] = tuple(recipients)
    title = words.title.replace("=?", "= ?")  # the library would decode it, line ends and all
    mail["Subject"] = f"Re: {title}" if before else title
    mail["Date"] = date
    mail["Message-ID"] = mine
    if before:
        mail["In-Reply-To"] = before[-1]
        chain = before if len(before) <= LONGEST_CHAIN else [before[0], *before[1 - LONGEST_CHAIN :]]
        mail["References"] = " ".join(chain)
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no holiday reply comes back
    mail.set_content(words.text() + "\n")
    mail.add_alternative(_PAGE.render(words=words), subtype="html")
    return mail


def _atom(text: str) -> str:
    """``text`` where it may stand in an id as it is, else a digest of it."""
    if re.fullmatch(r"[A-Za-z0-9_-]{1,64}", text):
        return text
    return hashlib.sha256(text.encode(errors="surrogatepass")).hexdigest()[:20]
