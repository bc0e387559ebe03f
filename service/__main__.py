"""The command line: reads the words, hands over to the command. Exit 0 good, 1 a problem it names, 2 misuse.

The only module that reads the environment.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

from service import crash
from service.commands import TAKE_WORDS_OF_THEIR_OWN, Command, make_parser, written_out
from service.commands.common import problem
from service.settings import SettingsError


def main(argv: Sequence[str] | None = None) -> int:
    words = written_out(sys.argv[1:] if argv is None else list(argv))
    parser = make_parser(words)
    known, rest = parser.parse_known_args(words)
    if rest and known.command not in TAKE_WORDS_OF_THEIR_OWN:
        parser.error(f"unrecognized arguments: {' '.join(rest)}")
    known.rest, known.environment = rest, os.environ
    try:
        crash.arm(os.environ.get(crash.VARIABLE))
    except ValueError as error:
        return problem(str(error))
    command: Command = known.run
    try:
        return command(known)
    except SettingsError as error:
        return problem(*error.lines)
    except BrokenPipeError:
        return 1


if __name__ == "__main__":
    sys.exit(main())
