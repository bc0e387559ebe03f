"""A person's keys and signals while a recording is played."""

from __future__ import annotations

import os
import select
import signal
import sys
import termios
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from types import FrameType

from service.domain.model import Instant
from service.usecases.tempo import Tempo

_KEYS = (b"p", b"P", b" ")
_LOOK = 0.25


@contextmanager
def pausing(tempo: Tempo, now: Callable[[], Instant], *, say: Callable[[str], None]) -> Iterator[None]:
    """Meanwhile ``p``, the space bar and SIGUSR1 pause and go on, Ctrl-C and SIGTERM end it."""

    def turn(number: int = 0, frame: FrameType | None = None) -> None:
        tempo.steer(now(), paused=not tempo.paused)
        say("paused; p goes on" if tempo.paused else "going on")

    def end(number: int, frame: FrameType | None) -> None:
        tempo.end()

    with ExitStack() as stack:
        for number, does in ((signal.SIGUSR1, turn), (signal.SIGINT, end), (signal.SIGTERM, end)):
            stack.callback(signal.signal, number, signal.signal(number, does))
        if sys.stdin is not None and sys.stdin.isatty():
            stack.enter_context(_listening(turn))
        yield


@contextmanager
def _listening(press: Callable[[], None]) -> Iterator[None]:
    """The terminal gives each key as it is pressed, and is put back afterwards."""
    own = sys.stdin.fileno()
    before = termios.tcgetattr(own)
    over = threading.Event()

    def listen() -> None:
        while not over.is_set():
            if select.select([own], [], [], _LOOK)[0] and os.read(own, 1) in _KEYS:
                press()

    tty.setcbreak(own)
    listener = threading.Thread(target=listen, name="keys", daemon=True)
    listener.start()
    try:
        yield
    finally:
        over.set()
        listener.join()
        termios.tcsetattr(own, termios.TCSADRAIN, before)
