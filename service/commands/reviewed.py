"""The command that reviews a recorded time: ``review``."""

from __future__ import annotations

import argparse
import sys
import textwrap
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Self

import msgspec

from service.bootstrap import wall_clock
from service.commands.common import Adding, problem, settings_of, span
from service.desk import Unfit
from service.domain.model import Instant
from service.language import NoLanguage, languages, speak
from service.paper.document import document
from service.paper.pdf import NoPdf, pdf
from service.paper.sheets import sheets
from service.paper.tell import Tell
from service.ports import StoreError, StoreRevisionError
from service.recordings import lines_of
from service.reviews import reviewed
from service.settings import Settings
from service.usecases.review import NothingThere, review

Json = dict[str, Any]
_WHEN = 'in the site\'s time zone, "2026-03-01 06:00"'


def add(commands: Adding, common: argparse.ArgumentParser) -> None:
    command = commands.add_parser(
        "review",
        parents=[common],
        help="what happened in a recorded time, why stations stood, what the warnings gave",
    )
    command.add_argument(
        "file", type=Path, nargs="?", metavar="FILE", help="a recording; without one what the store has kept"
    )
    command.add_argument("--from", dest="since", metavar="TIME", help=f"{_WHEN}; else from the beginning")
    command.add_argument("--to", dest="until", metavar="TIME", help="likewise; else to the end")
    command.add_argument("--line", metavar="NAME", help="this line alone")
    command.add_argument("--json", type=Path, metavar="FILE", help="all of it; - is standard output")
    command.add_argument("--html", type=Path, metavar="FILE", help="one page that needs nothing else")
    command.add_argument("--pdf", type=Path, metavar="FILE", help="the same on A4")
    command.add_argument(
        "--csv", type=Path, metavar="FOLDER", help="stops, losses, times, warnings as sheets"
    )
    command.add_argument("--language", metavar="TAG", help="of page and summary; else the site's")
    command.add_argument(
        "--what-if", action="store_true", help="instead, other settings on the recording: see what-if --help"
    )
    command.set_defaults(run=_review)


def _review(known: argparse.Namespace) -> int:
    settings = settings_of(known)
    tag, own = known.language or settings.site.language, settings.site.languages
    try:
        if tag not in languages(own):
            return problem(f"--language: {tag!r} isn't known; there are {', '.join(languages(own))}")
        since, until = _span(settings, known)
        report = _made(settings, known, since, until)
        _save(report, known, Tell.of(report, speak(tag, own)))
    except NothingThere as nothing:
        return problem(f"{known.file or 'the store'}: {nothing}")
    except (StoreError, StoreRevisionError, Unfit) as error:
        return problem(f"{known.file or 'the store'}: {error}")
    except (NoLanguage, NoPdf, OSError, _Misuse) as error:
        return problem(str(error))
    return 0


class _Misuse(Exception):
    """What was asked for doesn't fit together."""


def _span(settings: Settings, known: argparse.Namespace) -> tuple[Instant | None, Instant | None]:
    try:
        since, until = span(known, settings.site.timezone)
    except Unfit as unfit:
        raise _Misuse(str(unfit)) from None
    if known.file is None and (since is None or until is None):
        raise _Misuse("say which recording, or --from and --to for what the store has kept")
    if since is not None and until is not None and since >= until:
        raise _Misuse("--from must be before --to")
    if known.file is None and since is not None and since >= wall_clock():
        raise _Misuse("--from: nothing has happened yet then")
    return since, until


def _made(
    settings: Settings, known: argparse.Namespace, since: Instant | None, until: Instant | None
) -> Json:
    with _Progress() as progress:
        if known.file is not None:
            lines = lines_of(known.file)
            return review(lines, since=since, until=until, line=known.line, progress=progress.read)
        return reviewed(
            url=settings.store.url.get_secret_value(),
            site=settings.site.name,
            since=since,
            until=until,
            line=known.line,
            progress=progress.read,
            shard=settings.share,
        )


class _Progress:
    """On standard error, where somebody looks at it."""

    def __init__(self) -> None:
        self._shown = sys.stderr.isatty()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._shown:
            print("\r\x1b[K", end="", file=sys.stderr)

    def read(self, entries: int) -> None:
        if self._shown:
            print(f"\r{entries} entries read", end="", file=sys.stderr, flush=True)


def _save(report: Json, known: argparse.Namespace, tell: Tell) -> None:
    written = list(_written(report, known, tell))
    for name in written:
        print(f"written: {name}", file=sys.stderr)
    if not written and known.json is None:
        for line in _in_words(report, tell):
            print(line)


def _written(report: Json, known: argparse.Namespace, tell: Tell) -> Iterator[Path]:
    if known.json is not None:
        plain = msgspec.json.format(msgspec.json.encode(report, order="sorted"), indent=1) + b"\n"
        if str(known.json) == "-":
            sys.stdout.buffer.write(plain)
            sys.stdout.buffer.flush()
        else:
            known.json.write_bytes(plain)
            yield known.json
    if known.html is not None:
        known.html.write_text(document(report, tell.language), encoding="utf-8")
        yield known.html
    if known.pdf is not None:
        known.pdf.write_bytes(pdf(report, tell.language))
        yield known.pdf
    if known.csv is not None:
        known.csv.mkdir(parents=True, exist_ok=True)
        for name, content in sheets(report).items():
            (known.csv / name).write_bytes(content)
            yield known.csv / name


def _in_words(report: Json, tell: Tell) -> Iterator[str]:
    yield f"{report['site']}, {tell.span(report['from'], report['to'])} {report['timezone']}"
    for each in report["summary"]:
        yield from textwrap.wrap(tell.sentence(each), 100, initial_indent="- ", subsequent_indent="  ")
