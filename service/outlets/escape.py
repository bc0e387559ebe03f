"""Makes text from the floor harmless where it is shown: part numbers and names are whatever a gateway sends.

``plain`` is for every outlet: one line, nothing invisible, nothing that turns the reading direction.
``chat_safe`` also takes away what a chat would act on: mentions, links, markup.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable

import msgspec

from service.domain.model import Notice
from service.domain.said import Said, Value

LONGEST = 300

_CHAT = str.maketrans({"<": "‹", ">": "›", "@": "＠", "[": "(", "]": ")", "`": "'", "*": "∗", "~": "∼"})
"""Look-alikes, not entities or backslashes: they read the same whichever markup the chat knows."""


def plain(text: str) -> str:
    """One visible line: control, format (bidirectional, zero-width), private and unassigned characters are
    taken away, white space of any kind is one space, and what is too long is cut."""
    spaced = "".join(" " if c.isspace() else c for c in text)
    shown = "".join(c for c in spaced if not unicodedata.category(c).startswith("C"))
    line = " ".join(shown.split())
    return line if len(line) <= LONGEST else line[: LONGEST - 1] + "…"


def chat_safe(text: str) -> str:
    """``plain``, and nothing in it that pings people, makes a link or changes how the text looks."""
    return plain(text).translate(_CHAT).replace("://", ": //")


def cleaned(notice: Notice, clean: Callable[[str], str]) -> Notice:
    """The notice with every text in it made harmless."""
    texts = {name: getattr(notice, name) for name in notice.__struct_fields__}
    clear = {name: clean(text) for name, text in texts.items() if isinstance(text, str)}
    said = None if notice.said is None else _cleaned(notice.said, clean)
    return msgspec.structs.replace(notice, **clear, said=said)


def _cleaned(said: Said, clean: Callable[[str], str]) -> Said:
    """A sentence with every name in it made harmless; its own words are ours."""
    values = {name: _clean(value, clean) for name, value in said.values.items()}
    return msgspec.structs.replace(said, values=values)


def _clean(value: Value, clean: Callable[[str], str]) -> Value:
    if isinstance(value, Said):
        return _cleaned(value, clean)
    if isinstance(value, tuple):
        return tuple(_cleaned(each, clean) for each in value)
    return clean(value) if isinstance(value, str) else value
