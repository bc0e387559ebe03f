"""Recordings as files (plain, packed, or standard input and output), and what they give."""

from __future__ import annotations

import gzip
import os
import sys
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from itertools import chain
from pathlib import Path
from typing import IO

from service.desk import Unfit
from service.domain.policy import Policy
from service.usecases.foretell import Wanted, foretell

_PIECE = 1 << 16


def print_outlooks(file: Path, policy: Policy, wanted: Wanted) -> None:
    """All that ``foretell`` gives, as soon as it is known. Raises ``Unfit``."""
    out = sys.stdout.buffer
    with _read_by_others():
        for said in foretell(pieces(file), policy, wanted):
            out.write(said)
            out.flush()


def lines_of(file: Path) -> Iterator[bytes]:
    """The lines of ``file`` one by one, as ``pieces`` reads them."""
    return chain.from_iterable(pieces(file))


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
        except EOFError:
            raise Unfit("cut short: the packed file ends before its end") from None
        except OSError as error:
            raise Unfit(error.strerror or str(error)) from None
        except zlib.error as error:
            raise Unfit(str(error)) from None
        if last := b"".join(rest):
            yield [last]


def _reader(file: Path, stack: ExitStack) -> Callable[[int], bytes]:
    """Reads what is there, at most so many bytes."""
    if str(file) == "-":
        return stack.enter_context(os.fdopen(sys.stdin.fileno(), "rb", closefd=False)).read1
    if file.suffix == ".gz":
        return stack.enter_context(gzip.open(file, "rb")).read1
    return stack.enter_context(file.open("rb")).read


def save(file: Path, lines: Iterable[bytes], *, force: bool = False) -> int:
    """Write a recording beside ``file`` and put it there once it is whole; packed where the name says so, to
    standard output where it is ``-``. The bytes written. Raises ``Unfit``, and leaves no half of one."""
    if str(file) == "-":
        return _print(lines)
    _refuse_there(file, force)
    beside = file.with_name(f".{file.name}.{os.getpid()}.part")
    try:
        with beside.open("xb") as raw:
            _write(raw, lines, packed=file.suffix == ".gz")
            raw.flush()
            os.fsync(raw.fileno())
        _refuse_there(file, force)
        size = beside.stat().st_size
        beside.replace(file)
        return size
    except OSError as error:
        raise Unfit(error.strerror or str(error)) from None
    finally:
        beside.unlink(missing_ok=True)


def _refuse_there(file: Path, force: bool) -> None:
    if file.exists() and not force:
        raise Unfit("is there already; --force writes over it")


def _write(raw: IO[bytes], lines: Iterable[bytes], *, packed: bool) -> None:
    """Without name and time in it: the same recording is the same file."""
    if not packed:
        raw.writelines(lines)
        return
    with gzip.GzipFile(filename="", mode="wb", fileobj=raw, compresslevel=6, mtime=0) as pack:
        pack.writelines(lines)


def _print(lines: Iterable[bytes]) -> int:
    out, size = sys.stdout.buffer, 0
    with _read_by_others():
        for line in lines:
            size += out.write(line)
        out.flush()
    return size


@contextmanager
def _read_by_others() -> Iterator[None]:
    try:
        yield
    except BrokenPipeError:
        # Who reads has read enough. What is still buffered must go nowhere, or the end of Python complains.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise
