"""What a source makes of messages that somebody has at hand: ``check --sample``."""

from __future__ import annotations

import argparse
import base64
import binascii
import json
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import NamedTuple

import msgspec

from service.bootstrap import wall_clock
from service.commands.common import problem
from service.desk import Unfit
from service.domain.events import When
from service.domain.model import SECOND, Instant, from_datetime
from service.recordings import lines_of
from service.settings import Settings, Source
from service.usecases.gateways import Gateways
from service.wire.gateway import Native, Translator
from service.wire.mapped import MappedTranslator, Told
from service.wire.native import Misfit, read_message

_WAITED = 60 * SECOND
_MOST_SHOWN = 120
_Hears = Callable[..., Sequence[Native] | None]


class Line(msgspec.Struct, frozen=True):
    """One message in a file of several. A ``payload`` that is a text is what was published, any other is
    the JSON that was; ``payload_base64`` is for bytes that are neither."""

    topic: str
    payload: msgspec.Raw = msgspec.Raw(b"")
    payload_base64: str | None = None
    at: When = None
    retained: bool = False

    @property
    def bytes(self) -> bytes:
        """What was published. ``ValueError``: it isn't base64."""
        if self.payload_base64 is not None:
            return base64.b64decode(self.payload_base64, validate=True)
        raw = bytes(self.payload)
        return msgspec.json.decode(raw, type=str).encode() if raw.startswith(b'"') else raw


class _Message(NamedTuple):
    topic: str
    payload: bytes
    at: Instant
    retained: bool = False


def add_options(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--sample",
        type=Path,
        metavar="FILE",
        help='a payload of --topic, or lines of {"topic", "payload"}; -: what a source makes of it',
    )
    command.add_argument("--source", metavar="NAME", help="that source; needed where there are several")
    command.add_argument("--topic", metavar="TOPIC", help="where the payload in --sample was published")


def explain(known: argparse.Namespace, settings: Settings) -> int:
    """Print what is taken from where and what it says in our words; 1 where something is refused."""
    try:
        source = _chosen(known.source, settings)
        translator = source.translator(settings.site.timezone)
        hear = partial(Gateways({source.name: translator}).hear, source.name)
        messages = list(_messages(known.sample, known.topic))
    except (Unfit, ValueError) as error:
        return problem(str(error))
    refused = False
    at = wall_clock()
    for message in messages:
        at = message.at
        for line in _said(translator, hear, message):
            refused = refused or line.startswith("refused")
            print(line)
    for line in _later(translator, at):
        print(line)
    if isinstance(translator, MappedTranslator) and translator.begins_with_first:
        print("totals count from the first that is heard: what a second message adds shows that they fit")
    return 1 if refused else 0


def _chosen(name: str | None, settings: Settings) -> Source:
    names = [each.name for each in settings.sources]
    if name is None and len(names) == 1:
        name = names[0]
    if name is None or name not in names:
        asked = "--source: which one" if name is None else f"--source: there is no {name!r}"
        raise Unfit(f"{asked} (there are: {', '.join(names) or 'none'})")
    return settings.sources[names.index(name)]


def _messages(file: Path, topic: str | None) -> Iterator[_Message]:
    """In their order. Raises ``Unfit``."""
    if topic is not None:
        yield _Message(topic, _read(file), wall_clock())
        return
    for number, line in enumerate(lines_of(file), start=1):
        if not line.strip():
            continue
        try:
            said = msgspec.json.decode(line, type=Line)
            at = wall_clock() if said.at is None else from_datetime(said.at)
            yield _Message(said.topic, said.bytes, at, said.retained)
        except (msgspec.MsgspecError, binascii.Error, ValueError) as error:
            wanted = 'lines of {"topic", "payload"}, or --topic and one payload'
            raise Unfit(f"{file}: line {number}: {error} ({wanted})") from None


def _read(file: Path) -> bytes:
    try:
        return sys.stdin.buffer.read() if str(file) == "-" else file.read_bytes()
    except OSError as error:
        raise Unfit(f"{file}: {error.strerror or error}") from None


def _said(translator: Translator, hear: _Hears, message: _Message) -> Iterator[str]:
    yield message.topic
    if not message.payload:
        yield "  an empty payload says nothing"
        return
    try:
        if isinstance(translator, MappedTranslator):
            for told in translator.explain(message.topic, message.payload, at=message.at):
                yield from _found(told)
        topic = message.topic.encode("utf-8", "surrogatepass")
        natives = hear(topic, message.payload, message.at, retained=message.retained)
    except Misfit as misfit:
        yield f"refused: {misfit}"
        return
    if not natives:
        yield "  was heard before" if natives is None else "  says nothing yet"
    yield from _natives(natives or ())
    for request in translator.take_requests():
        yield f"  would ask on {request.topic}"


def _found(told: Told) -> Iterator[str]:
    """What a rule looked for, and what was there."""
    yield f"  {told.rule}" + ("" if told.means_it else ": not meant")
    for field, how, value in told.steps:
        yield f"    {field} ← {how} ← {'missing' if value is None else _short(value)}"
    if told.refused is not None:
        yield f"    can't be used: {told.refused}"


def _natives(natives: Iterable[Native]) -> Iterator[str]:
    for address, payload in natives:
        yield f"  says {address.kind} of {address.subject}: {payload.decode()}"
        try:
            read_message(address, payload)
        except Misfit as misfit:
            yield f"refused: {misfit}"


def _later(translator: Translator, at: Instant) -> Iterator[str]:
    """What time alone adds, should nothing else come."""
    until = at + _WAITED
    while (moment := translator.next_moment()) is not None and moment <= until:
        natives = translator.look(moment)
        if natives:
            yield f"{(moment - at) / SECOND:.1f} s later, should nothing else come"
            yield from _natives(natives)


def _short(value: object) -> str:
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= _MOST_SHOWN else text[: _MOST_SHOWN - 1] + "…"
