"""The command that plays a recording: ``replay``, into a store, with the page on it, or to a broker."""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace as changed
from pathlib import Path

from pydantic import ValidationError

from service import outside
from service.broadcast import Broadcast
from service.commands.bar import Bar
from service.commands.common import Adding, open_it, problem, settings_of, span, to_people
from service.commands.keys import pausing
from service.desk import Unfit
from service.domain.model import SECOND, Instant, to_rfc3339
from service.mqtt.sender import RefusedError
from service.playback import Playback, Wanted
from service.ports import StoreError, StoreRevisionError
from service.recordings import lines_of
from service.settings import Settings
from service.store import Store, open_store
from service.tls import TlsFileError
from service.usecases.recording import Reader, in_words
from service.usecases.replay import BATCH, Replay, Replayed, opened, play
from service.usecases.survey import end_of
from service.usecases.tempo import FASTEST, Tempo
from service.web.server import AddressTakenError

PAGE_SPEED = 60.0

DESCRIPTION = """Plays a recording through the whole pipeline: into the empty store of the configuration as
fast as it goes, with --page into a store of its own with the live page on it, with --broker to a broker in
the plant's place. The settings that were in force are part of the recording and rule; the configuration says
only where the store, the page and the broker are. Nobody is told of anything. Another broker than the
configured one isn't told its user, password and certificate.
With --broker, p, the space bar and SIGUSR1 pause and go on."""
_WHEN = 'in the recorded time zone, "2026-03-01 03:00"'


def add(commands: Adding, common: argparse.ArgumentParser) -> None:
    command = commands.add_parser(
        "replay",
        parents=[common],
        help="a recorded journal into an empty store, onto a page, or to a broker",
        description=DESCRIPTION,
    )
    command.add_argument("file", type=Path, metavar="FILE", help="as `export` and /events give it; .gz")
    command.add_argument("--from", dest="since", metavar="TIME", help=f"{_WHEN}; else its beginning")
    command.add_argument("--to", dest="until", metavar="TIME", help="likewise; else its end")
    command.add_argument(
        "--speed",
        type=_speed,
        metavar="N",
        help=f"times real time, or max (max; {PAGE_SPEED:g} with --page, 1 with --broker)",
    )
    command.add_argument("--batch", type=int, default=BATCH, metavar="N", help=f"entries a commit ({BATCH})")
    command.add_argument("--store", metavar="URL", help="this empty store, not that of the configuration")
    command.add_argument("--page", action="store_true", help="with the live page on it, until Ctrl-C")
    command.add_argument("--broker", metavar="URL", help="say it to this broker; never to the plant's own")
    command.add_argument("--root", metavar="TOPIC", help="with --broker: topic root (mqtt.floor_root)")
    command.add_argument(
        "--now", action="store_true", help="with --broker: move the times of messages to when they are said"
    )
    command.add_argument("--progress", action="store_true", help="show progress though no terminal is there")
    command.set_defaults(run=_replay)


def _speed(text: str) -> float:
    value = FASTEST if text == "max" else float(text)
    if not value > 0.0:
        raise argparse.ArgumentTypeError(f"{text} is not above 0")
    return value


def _replay(known: argparse.Namespace) -> int:
    settings = settings_of(known)
    if known.batch < 1:
        return problem("--batch: at least 1")
    if known.page and known.broker:
        return problem("--page and --broker: one of them")
    if str(known.file) == "-" and (known.page or known.broker):
        return problem("-: a page and a broker need a file, whose length is known")
    how = _to_broker if known.broker else _with_page if known.page else _into_store
    try:
        return how(known, settings)
    except KeyboardInterrupt:
        return problem(f"{known.file}: stopped; what was replayed until then is in the store")
    except (
        AddressTakenError, OSError, RefusedError, StoreError, StoreRevisionError, TlsFileError, Unfit,
    ) as error:  # fmt: skip
        return problem(f"{known.file}: {error}")


# Into a store


def _opened(url: str | None, settings: Settings) -> Store:
    """The store that was named, else that of the settings."""
    return open_it(settings, migrate=True) if url is None else open_store(url, migrate=True)


def _into_store(known: argparse.Namespace, settings: Settings) -> int:
    since, until = _span(known)
    store = _opened(known.store, settings)
    try:
        reader = Reader()
        going = Replay(reader.read(lines_of(known.file)), store.ledger, since=since, until=until)
        bar = Bar(known.file, wanted=known.progress, to=until)
        speed = known.speed or FASTEST
        tempo = Tempo(going.next_at or going.last, speed=speed, steady=time.monotonic)
        began = time.monotonic()
        play(going, tempo, batch=known.batch, heard=lambda _: bar.show(going.entries, going.last))
        took = time.monotonic() - began
        bar.end()
    finally:
        store.close()
    done = going.done()
    print(_headline(done))
    _summarize(done, took if speed == FASTEST else None)
    if reader.manifest is not None:
        to_people("whole, as its manifest says: " + in_words(reader.manifest, settings.site.timezone)[0])
    return 0


def _headline(done: Replayed) -> str:
    span = (
        ""
        if done.first is None or done.last is None
        else (f" from {to_rfc3339(done.first)} to {to_rfc3339(done.last)}")
    )
    return f"replayed {done.entries} entries{span}: {done.told} changes of notices"


def _summarize(done: Replayed, took: float | None) -> None:
    """More of it for people; whoever reads standard output gets the headline alone."""
    say = to_people
    say("entries: " + _counted(done.kinds))
    levels = {f"{kind} {level}".strip(): number for (kind, level), number in done.levels.items()}
    say(f"notices: {sum(levels.values())}" + (f" ({_counted(levels)})" if levels else ""))
    if done.ends:
        say("ended: " + _counted(done.ends))
    if done.idle:
        say(f"{done.idle} acts of people found no notice: another version of the program recorded this")
    if took:
        span = (done.last - done.first) / SECOND if done.first is not None and done.last is not None else 0.0
        say(f"in {took:.1f} s: {done.entries / took:.0f} entries a second, {span / took:.0f} times real time")


def _counted(numbers: Mapping[str, int]) -> str:
    ordered = sorted(numbers.items(), key=lambda each: (-each[1], each[0]))
    return ", ".join(f"{number} {name}" for name, number in ordered) or "none"


# With the page


def _with_page(known: argparse.Namespace, settings: Settings) -> int:
    since, until = _span(known)
    wanted = Wanted(
        file=known.file,
        end=end_of(lines_of(known.file), until),
        since=since,
        until=until,
        speed=known.speed or PAGE_SPEED,
        batch=known.batch,
    )
    with _scratch(known, settings) as (store, url):
        playback = Playback(settings, store, url, wanted, over=_over)
        print(f"the page is at {playback.address(settings)}/ (Ctrl-C ends it)", flush=True)
        code = playback.run()
    return problem(f"{known.file}: {playback.problem}") if playback.problem else code


def _over(done: Replayed) -> None:
    print(_headline(done))
    _summarize(done, None)
    to_people("the recording is over; the page shows how it ended, until Ctrl-C")


@contextmanager
def _scratch(known: argparse.Namespace, settings: Settings) -> Iterator[tuple[Store, str]]:
    """The store that was named, else one that is gone afterwards."""
    with tempfile.TemporaryDirectory(prefix="earlybell-replay-") as folder:
        url = known.store or (
            settings.store.url.get_secret_value()
            if "store" in settings.model_fields_set
            else f"sqlite:///{folder}/replay.db"
        )
        store = open_store(url, migrate=True)
        try:
            yield store, url
        finally:
            store.close()


# To a broker


def _to_broker(known: argparse.Namespace, settings: Settings) -> int:
    since, until = _span(known)
    try:
        mqtt = settings.mqtt.at(known.broker)
    except ValidationError as error:
        return problem(*(f"--broker: {each['msg'].removeprefix('Value error, ')}" for each in error.errors()))
    broker = outside.broker(settings.model_copy(update={"mqtt": mqtt}))
    broker = changed(broker, client_id=f"{broker.client_id[:48]}-replay-{os.getpid()}")
    saying = Broadcast(
        Reader().read(lines_of(known.file)),
        root=known.root or settings.mqtt.floor_root,
        since=since,
        until=until,
        clock=(lambda: time.time_ns() // 1000) if known.now else None,
    )
    tempo = Tempo(saying.next_at or saying.at, speed=known.speed or 1.0, steady=time.monotonic)
    bar = Bar(known.file, wanted=known.progress, to=until, what="messages")
    with pausing(tempo, lambda: tempo.moment(saying.at, saying.next_at), say=to_people):
        done = saying.run(broker, tempo, trouble=_say_trouble, heard=bar.show)
    bar.end()
    print(f"said {done.said} messages, {done.begun} of the state before them; {done.left} not acknowledged")
    return 1 if done.left else 0


def _say_trouble(why: str | None) -> None:
    to_people("the broker is there" if why is None else f"waiting for the broker: {why}")


# What all of them share


def _span(known: argparse.Namespace) -> tuple[Instant | None, Instant | None]:
    """By the clocks of the recorded settings."""
    if known.since is None and known.until is None:
        return None, None
    world, _, _ = opened(Reader().read(lines_of(known.file)))
    return span(known, world.policy.timezone)
