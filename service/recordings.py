"""Recordings as files (plain, packed, or standard input), and what they give, to standard output."""

from __future__ import annotations

import gzip
import os
import sys
import zlib
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

from service.desk import Unfit
from service.domain.policy import Policy
from service.usecases.foretell import Wanted, foretell

_PIECE = 1 << 16


def print_outlooks(file: Path, policy: Policy, wanted: Wanted) -> None:
    """All that ``foretell`` gives, as soon as it is known. Raises ``Unfit``."""
    out = sys.stdout.buffer
    try:
        for said in foretell(pieces(file), policy, wanted):
            out.write(said)
            out.flush()
    except BrokenPipeError:
        # Who reads has read enough. What is still buffered must go nowhere, or the end of Python complains.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise


def pieces(file: Path) -> Iterator[list[bytes]]:
    """The lines of ``file``, of standard input where it is ``-``: what came together comes together, so that
    a recording may still be growing. Raises ``Unfit`` for what can't be read."""
    with ExitStack() as stack:
        try:
            read = _reader(file, stack)
            rest: list[bytes] = []
            while data := read(_PIECE):
                lines = data.split(b"\n")
                if len(lines) > 1:
                    lines[0], rest = b"".join([*rest, lines[0]]), []
                    yield lines[:-1]
                rest.append(lines[-1])
        except (OSError, EOFError, zlib.error) as error:
            raise Unfit(str(error)) from None
        yield [b"".join(rest)]


def _reader(file: Path, stack: ExitStack) -> Callable[[int], bytes]:
    """Reads what is there, at most so many bytes."""
    if str(file) == "-":
        return stack.enter_context(os.fdopen(sys.stdin.fileno(), "rb", closefd=False)).read1
    if file.suffix == ".gz":
        return stack.enter_context(gzip.open(file, "rb")).read1
    return stack.enter_context(file.open("rb")).read
