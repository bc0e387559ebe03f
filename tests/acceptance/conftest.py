"""The whole program with its broker and receivers, for each test anew."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack

import pytest

from tests.support.factory import Factory
from tests.support.mosquitto import Mosquitto
from tests.support.processes import StartProgram
from tests.support.receivers import HttpReceiver, MailReceiver

StartFactory = Callable[..., Factory]


@pytest.fixture
def start_factory(broker: Mosquitto, start_program: StartProgram) -> Iterator[StartFactory]:
    with ExitStack() as stack:

        def start(**options: str) -> Factory:
            hook = stack.enter_context(HttpReceiver())
            mail = stack.enter_context(MailReceiver())
            factory = Factory(start_program, broker, hook, mail, **options)
            stack.callback(factory.close)
            return factory

        yield start


@pytest.fixture
def factory(start_factory: StartFactory) -> Factory:
    return start_factory()
