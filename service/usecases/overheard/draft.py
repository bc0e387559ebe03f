"""A draft of the settings that would turn what was heard into counts: ``[[source]]`` tables, on trial, with a
doubt on each line that is a guess."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping

from service.usecases.overheard.alike import COUNTED, Varying, few, step_of
from service.usecases.overheard.draft_mapped import mapped
from service.usecases.overheard.draft_values import UNKNOWN, place_lines, placed_by, value_rules
from service.usecases.overheard.gather import Heard
from service.usecases.overheard.guess import Guess, varying, wanted_by
from service.usecases.overheard.reading import Key
from service.usecases.overheard.recognise import Dialect
from service.usecases.overheard.tell import guesses
from service.usecases.overheard.topics import is_literal, named_by, patterns_of, plain_pattern
from service.usecases.overheard.written import pair, remark

HEAD = (
    "Put it into the configuration and look at what it would count; what has a doubt behind it is a guess.",
    "Once it counts right, take `trial = true` away.",
)


def draft_of(heard: Heard, *, broker: Mapping[str, str] | None = None, floor_root: str = "floor") -> str:
    """The TOML of all the sources that were recognised; empty where there are none. ``broker``: the keys of
    another broker than that of ``[mqtt]``; on that one ``floor_root`` is heard already."""
    said = guesses(heard)
    broker = broker or {}
    lines = list(_native(heard, broker, floor_root))
    for dialect, make in _MAKERS.items():
        rules = list(make(heard, said[dialect])) if dialect in said else []
        if any(line.startswith("[[source.") for line in rules) or (rules and dialect == "cfx"):
            lines += [*_source(dialect, dialect, broker), *rules]
    if not any(line == "[[source]]" for line in lines):
        return ""
    head = f"Drafted from {heard.messages} messages that were heard in {heard.seconds:.0f} s."
    return "\n".join([*map(remark, (head, *HEAD)), *lines]) + "\n"


def _source(name: str, dialect: Dialect, broker: Mapping[str, str]) -> Iterator[str]:
    yield ""
    yield "[[source]]"
    yield pair("name", name)
    yield pair("format", dialect)
    yield pair("trial", True)
    for key, value in broker.items():
        yield pair(key, value)
    if "username" in broker:
        yield remark("password: isn't written down here; the broker wants the one of this user")


def _native(heard: Heard, broker: Mapping[str, str], floor_root: str) -> Iterator[str]:
    """Below the root of ``[mqtt]`` all is heard already; two roots of one broker have to lie apart."""
    taken = [] if broker else [floor_root]
    for root in sorted(heard.names.get("native", ())):
        unfit = not is_literal(root) or root.startswith("$") or "" in root.split("/")
        if unfit or any(_overlap(root, other) for other in taken):
            continue
        taken.append(root)
        number = len(taken) if broker else len(taken) - 1
        yield from _source("native" if number == 1 else f"native-{number}", "native", broker)
        counts = any(topic.endswith("/count") for topic in heard.topics if topic.startswith(f"{root}/"))
        yield pair("root", root, "" if counts else "no count was heard there")


def _overlap(one: str, other: str) -> bool:
    return f"{one}/".startswith(f"{other}/") or f"{other}/".startswith(f"{one}/")


def _sparkplug(heard: Heard, said: list[Guess]) -> Iterator[str]:
    placed = placed_by(said)
    yield from place_lines(placed)
    yield from value_rules(said, placed)


def _opcua(heard: Heard, said: list[Guess]) -> Iterator[str]:
    """Headers say who speaks; where they are left out, the topic does."""
    placed = placed_by(said)
    counted = [named_by(each.found, wanted_by(each.means)) for each in said if each.means in COUNTED]
    told = sorted({topic for each in counted if "{" in (topic := each.pattern())})
    others = [each for each in patterns_of(heard, "opcua") if each not in map(plain_pattern, told)]
    yield pair("topics", [*told, *others], f"levels of a topic say {', '.join(told)}" if told else "")
    yield from place_lines(placed)
    yield from value_rules(said, placed)


# CFX

_CONSUMED = "CFX.Materials.Management.MaterialsConsumed"
_INSTALLED = "CFX.Production.Assembly.MaterialsInstalled"
_WORK = "CFX.Production.WorkCompleted"
_DEPARTED = "CFX.Production.UnitsDeparted"
MOST_STATIONS = 50
"""That are written down one by one."""


def _cfx(heard: Heard, said: list[Guess]) -> Iterator[str]:
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
    parts = [step for step in each.found.pattern if isinstance(step_of(step), Key)]
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
        one = step_of(step)
        if isinstance(one, Key):
            handle += one.mark + said
    return handle


_MAKERS: Mapping[Dialect, Callable[[Heard, list[Guess]], Iterator[str]]] = {
    "sparkplug": _sparkplug,
    "cfx": _cfx,
    "opcua": _opcua,
    "mapped": mapped,
}
