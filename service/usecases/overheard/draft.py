"""A draft of the settings that would turn what was heard into counts: ``[[source]]`` tables, on trial, with a
doubt on each line that is a guess."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

from service.domain.model import SECOND
from service.usecases.overheard.draft_values import place_lines, placed_by, rules
from service.usecases.overheard.gather import Heard
from service.usecases.overheard.guess import Guess
from service.usecases.overheard.recognise import Dialect
from service.usecases.overheard.tell import guesses
from service.usecases.overheard.written import pair, remark

HEAD = (
    "Put it into the configuration and look at what it would count; what has a doubt behind it is a guess.",
    "Once it counts right, take `trial = true` away.",
)


def draft_of(heard: Heard, *, broker: Mapping[str, str] | None = None, floor_root: str = "floor") -> str:
    """The TOML of all the sources that were recognised; empty where there are none. ``broker``: the keys of
    another broker than that of ``[mqtt]``; on that one ``floor_root`` is heard already."""
    said = guesses(heard)
    lines: list[str] = []
    for dialect, make in _MAKERS.items():
        if dialect in heard.names or dialect in heard.series:
            lines += make(heard, said.get(dialect, []), broker or {})
    if not lines:
        return ""
    seconds = (heard.last_at - heard.first_at) / SECOND
    head = [
        remark(f"Drafted from {heard.messages} messages that were heard in {seconds:.0f} s."),
        *map(remark, HEAD),
    ]
    return "\n".join([*head, *lines]) + "\n"


def _source(name: str, dialect: Dialect, broker: Mapping[str, str]) -> Iterator[str]:
    yield ""
    yield "[[source]]"
    yield pair("name", name)
    yield pair("format", dialect)
    yield pair("trial", True)
    for key, value in broker.items():
        yield pair(key, value)


def _sparkplug(heard: Heard, said: list[Guess], broker: Mapping[str, str]) -> Iterator[str]:
    placed = placed_by(said)
    yield from _source("sparkplug", "sparkplug", broker)
    yield from place_lines(placed)
    yield from rules(said, placed)


_MAKERS: Mapping[Dialect, Callable[[Heard, list[Guess], Mapping[str, str]], Iterator[str]]] = {
    "sparkplug": _sparkplug,
}
