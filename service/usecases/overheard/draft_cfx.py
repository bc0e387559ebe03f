"""A draft for IPC-2591 (CFX): which topics, whose the messages are, and which of them count."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from service.usecases.overheard.alike import Varying
from service.usecases.overheard.draft_values import UNKNOWN
from service.usecases.overheard.gather import Heard
from service.usecases.overheard.guess import Guess, varying
from service.usecases.overheard.reading import Key
from service.usecases.overheard.topics import is_literal, named_by, patterns_of
from service.usecases.overheard.tree import few
from service.usecases.overheard.written import pair, remark

_CONSUMED = "CFX.Materials.Management.MaterialsConsumed"
_INSTALLED = "CFX.Production.Assembly.MaterialsInstalled"
_WORK = "CFX.Production.WorkCompleted"
_DEPARTED = "CFX.Production.UnitsDeparted"
MOST_STATIONS = 50
"""That are written down one by one."""


def cfx(heard: Heard, said: list[Guess]) -> Iterator[str]:
    names = heard.names["cfx"]
    yield pair("topics", patterns_of(heard, "cfx"))
    yield from _counting(names)
    for each in said:
        yield from _stations(each)


def _counting(names: Counter[str]) -> Iterator[str]:
    if _CONSUMED not in names and _INSTALLED not in names:
        yield remark(f"doubt: neither {_CONSUMED} nor {_INSTALLED} was heard: nothing would be counted")
    elif _CONSUMED not in names:
        yield pair("consumption", "installed", "what is consumed was never said")
    if _WORK not in names and _DEPARTED in names:
        yield pair("panels_from", "departed", f"{_WORK} was never heard")
    elif _WORK not in names:
        yield remark("doubt: no message that completes a panel was heard")


def _stations(each: Guess) -> Iterator[str]:
    """The last two parts of a handle name line and station where nothing else is said; else the topic may."""
    parts = [
        step for step in each.found.pattern if isinstance(step.of if isinstance(step, Varying) else step, Key)
    ]
    topic = named_by(each.found, ("line", "station")).pattern()
    captures = len(varying(each.found))
    of_handle = [isinstance(step, Varying) for step in parts]
    if of_handle[-2:] == [True, True]:
        last = [few(each.found.distinct(capture)) for capture in range(captures - 2, captures)]
        yield remark(f"doubt: the last two parts of a handle name line and station: {', '.join(last)}")
    elif "{line}" in topic and "{station}" in topic:
        yield from ("", "[[source.station]]", pair("topic", topic, "levels of the topic name them"))
    else:
        handles = sorted(filter(is_literal, {_handle(each, texts) for texts in each.found.members}))
        for handle in handles[:MOST_STATIONS]:
            yield from ("", "[[source.station]]", pair("handle", handle))
            yield pair("fixed", UNKNOWN, "nothing says line and station: write them down")
        if len(handles) > MOST_STATIONS:
            yield remark(f"doubt: {len(handles) - MOST_STATIONS} more handles need a station")


def _handle(each: Guess, texts: tuple[str, ...]) -> str:
    captures = iter(texts)
    handle = ""
    for step in each.found.pattern:
        said = next(captures) if isinstance(step, Varying) else step.text
        one = step.of if isinstance(step, Varying) else step
        if isinstance(one, Key):
            handle += one.mark + said
    return handle
