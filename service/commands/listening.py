"""The command that listens to a broker, says what is there and drafts what would turn it into counts:
``listen``."""

from __future__ import annotations

import argparse
import json
import signal
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from pydantic import ValidationError

from service import outside
from service.bootstrap import wall_clock
from service.commands.common import Adding, problem, settings_of, to_people
from service.commands.dry_run import password_in, try_out
from service.mqtt.listener import UnheardError, overhear
from service.settings import Mqtt, Settings, SettingsError
from service.usecases.overheard import NO_BIRTH, Overheard, as_object, draft_of, lines
from service.wire.gateway import Request

SECONDS = 60.0
DESCRIPTION = """Listens to a broker for a while and shows what is there: the topics as a tree, how often
and how large, what the payloads are, which values only rise and which look like lamps. Recognises our own
contract, Sparkplug B, CFX and OPC UA, and with --draft writes [[source]] tables for the configuration, each
guess marked with "doubt" and with what it stands on. It says nothing unasked and leaves nothing there.
Another broker than the configured one isn't told its user, password and certificate. With --try it shows what
a draft would count beside what is counted now; Sparkplug nodes are then asked for their births. Ctrl-C ends
it early."""


def add(commands: Adding, common: argparse.ArgumentParser) -> None:
    command = commands.add_parser(
        "listen",
        parents=[common],
        help="what is said at a broker, and a draft of the settings that count it",
        description=DESCRIPTION,
    )
    command.add_argument("--url", metavar="URL", help="this broker, not that of the configuration")
    command.add_argument("--username", metavar="NAME", help="to that broker")
    command.add_argument("--password-file", type=Path, metavar="FILE", help="its first line is the password")
    command.add_argument(
        "--topic",
        action="append",
        type=_filter,
        metavar="FILTER",
        help="listen to this alone, such as plant/# (all; repeatable)",
    )
    command.add_argument("--seconds", type=_seconds, default=SECONDS, metavar="N", help=f"({SECONDS:g})")
    command.add_argument(
        "--births",
        action="store_true",
        help="ask Sparkplug nodes whose names aren't known for their births, the one thing that is then said",
    )
    command.add_argument("--draft", type=Path, metavar="FILE", help="write it there; - is standard output")
    command.add_argument(
        "--try",
        dest="draft_to_try",
        type=Path,
        metavar="FILE",
        help="only show what the [[source]] tables of this draft would count, beside what is counted now",
    )
    command.add_argument("--json", action="store_true", help="what was heard as one JSON object")
    command.set_defaults(run=_listen)


def _filter(text: str) -> str:
    levels = text.split("/")
    whole = all(level in ("+", "#") or not {"+", "#"} & set(level) for level in levels)
    if not text or not whole or "#" in levels[:-1]:
        raise argparse.ArgumentTypeError(f"{text!r} is no topic filter such as plant/+/counters or plant/#")
    return text


def _seconds(text: str) -> float:
    value = float(text)
    if not 0.0 < value <= 86_400.0:
        raise argparse.ArgumentTypeError(f"{text} is not above 0 and at most 86400")
    return value


def _listen(known: argparse.Namespace) -> int:
    settings = settings_of(known)
    if known.draft_to_try is not None:
        return _try(known, settings)
    try:
        mqtt = _broker_of(known, settings)
    except ValidationError as error:
        return problem(*(f"--url: {each['msg'].removeprefix('Value error, ')}" for each in error.errors()))
    except OSError as error:
        return problem(f"--password-file: {known.password_file}: {error.strerror}")
    heard = Overheard(own_root=settings.mqtt.out_root)
    try:
        _hear(known, settings.model_copy(update={"mqtt": mqtt}), heard)
    except UnheardError as error:
        return problem(f"{mqtt.host}:{mqtt.port}: {error}")
    if not heard.heard.messages:
        return problem(f"{mqtt.host}:{mqtt.port}: nothing was said that we may hear")
    if NO_BIRTH in heard.heard.cut and not known.births:
        to_people(
            "Sparkplug nodes tell names at their births alone, and none was heard of some: try --births"
        )
    said = as_object(heard.heard)
    if str(known.draft) != "-":
        print(json.dumps(said, ensure_ascii=False) if known.json else "\n".join(lines(said)))
    if known.draft is not None:
        return _draft(known, settings, heard)
    return 0


def _try(known: argparse.Namespace, settings: Settings) -> int:
    if (known.url, known.username, known.draft, known.topic) != (None,) * 4:
        return problem("--try: the draft says itself which broker and topics, and no other is drafted")
    stop = threading.Event()
    try:
        with _ending(stop):
            return try_out(known, settings, stop)
    except SettingsError as error:
        return problem(*(f"{known.draft_to_try}: {line}" for line in error.lines))
    except (OSError, UnicodeDecodeError) as error:
        return problem(f"--try: {known.draft_to_try}: {error}")


def _draft(known: argparse.Namespace, settings: Settings, heard: Overheard) -> int:
    """Where another broker was listened to, the draft says which and as whom; never a password."""
    broker = {key: value for key in ("url", "username") if (value := getattr(known, key)) is not None}
    text = draft_of(heard.heard, broker=broker, floor_root=settings.mqtt.floor_root)
    if not text:
        return problem("nothing was heard that could be counted: no draft")
    if str(known.draft) == "-":
        print(text, end="")
        return 0
    try:
        known.draft.write_text(text, encoding="utf-8")
    except OSError as error:
        return problem(f"--draft: {known.draft}: {error.strerror}")
    to_people(f"{known.draft}: a draft; look at what it would count with `listen --try {known.draft}`")
    return 0


def _broker_of(known: argparse.Namespace, settings: Settings) -> Mqtt:
    """``ValidationError``: the address is none. ``OSError``: the password can't be read."""
    mqtt = settings.mqtt if known.url is None else settings.mqtt.at(known.url)
    if known.username is None:
        return mqtt
    password = None if known.password_file is None else password_in(known.password_file)
    return mqtt.model_copy(update={"username": known.username, "password": password})


def _hear(known: argparse.Namespace, settings: Settings, heard: Overheard) -> None:
    """Raises ``UnheardError``."""
    stop = threading.Event()
    began = time.monotonic()
    shown = began

    def hear(topic: bytes, payload: bytes, retained: bool) -> None:
        nonlocal shown
        heard.hear(topic, payload, wall_clock(), retained=retained)
        if time.monotonic() - shown >= 5.0:
            shown = time.monotonic()
            to_people(f"{shown - began:.0f} of {known.seconds:.0f} s: {heard.heard.messages} messages")

    def ask() -> Sequence[Request]:
        return heard.births(wall_clock()) if known.births else ()

    filters = known.topic or ["#"]
    with _ending(stop):
        broker = outside.broker(settings)
        took = overhear(broker, filters, seconds=known.seconds, hear=hear, stop=stop, ask=ask)
    heard.listened(took, wall_clock())


@contextmanager
def _ending(stop: threading.Event) -> Iterator[None]:
    """Meanwhile Ctrl-C and SIGTERM end it early."""
    before = {
        number: signal.signal(number, lambda *_: stop.set()) for number in (signal.SIGINT, signal.SIGTERM)
    }
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
