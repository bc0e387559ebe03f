"""The command that looks at an installation: ``check``, one table of findings with what to do."""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import asdict

from service.bootstrap import wall_clock
from service.checkup import Case, Finding, State, check_up, worst
from service.commands import sampled
from service.commands.common import Adding, problem, settings_of
from service.settings import SettingsError

DESCRIPTION = """Looks at everything the service stands on: configuration, broker and sources, store, outlets,
page, certificates, access, files with secrets, clock, disk, versions. Also while the service runs, and within
seconds. Nothing is sent to anybody and nothing is changed. Exit 0: nothing is wrong; 1: something is."""
_WIDEST = 140


def add(commands: Adding, common: argparse.ArgumentParser) -> None:
    command = commands.add_parser(
        "check",
        parents=[common],
        help="look at configuration, broker, store, outlets and machine, and say what to do",
        description=DESCRIPTION,
    )
    command.add_argument("--json", action="store_true", help="for programs: one object")
    sampled.add_options(command)
    command.set_defaults(run=_check)


def _check(known: argparse.Namespace) -> int:
    try:
        settings = settings_of(known)
    except SettingsError as error:
        if not known.json or known.sample is not None:
            raise
        to_do = "correct the setting"
        return _tell(
            [
                Finding(area="configuration", state=State.WRONG, found=line, to_do=to_do)
                for line in error.lines
            ],
            known,
        )
    if known.sample is not None:
        return sampled.explain(known, settings)
    case = Case(settings=settings, environment=known.environment, clock=wall_clock, config=known.config)
    return _tell(check_up(case), known)


def _tell(found: Sequence[Finding], known: argparse.Namespace) -> int:
    state = worst(found)
    if known.json:
        print(json.dumps({"state": state, "findings": [asdict(each) for each in found]}, ensure_ascii=False))
    else:
        for line in table(found, _width()):
            print(line)
    sys.stdout.flush()
    if state is not State.WRONG:
        return 0
    number = sum(each.state is State.WRONG for each in found)
    return problem(f"{number} of {len(found)} findings {'is' if number == 1 else 'are'} wrong")


def table(found: Sequence[Finding], width: int) -> Iterator[str]:
    """A row a finding: state, area, what was found; what to do stands below it."""
    areas = max((len(each.area) for each in found), default=0)
    states = max(len(state) for state in State)
    beside = " " * (states + areas + 4)
    room = max(30, width - len(beside))
    for each in found:
        head = f"{each.state:{states}}  {each.area:{areas}}  "
        yield from textwrap.wrap(
            each.found,
            room + len(head),
            initial_indent=head,
            subsequent_indent=beside,
            break_long_words=False,
            break_on_hyphens=False,
        )
        if each.to_do is not None:
            yield from textwrap.wrap(
                f"→ {each.to_do}",
                room + len(beside),
                initial_indent=beside,
                subsequent_indent=beside + "  ",
                break_long_words=False,
                break_on_hyphens=False,
            )


def _width() -> int:
    """A line a finding where no person looks: programs that read text like whole lines."""
    if not sys.stdout.isatty():
        return 10_000
    return min(_WIDEST, shutil.get_terminal_size().columns)
