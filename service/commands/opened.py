"""Work at the store and its keyring, and its troubles in words: for commands that change who may do what."""

from __future__ import annotations

import argparse
from collections.abc import Callable

from service.access import AccessError
from service.commands.common import open_it, problem, settings_of
from service.keyring import Keyring
from service.ports import StoreError, StoreRevisionError
from service.store import Store


def at_keyring(known: argparse.Namespace, work: Callable[[Keyring], None]) -> int:
    return at_store(known, lambda store: work(store.keyring))


def at_store(known: argparse.Namespace, work: Callable[[Store], None]) -> int:
    settings = settings_of(known)
    try:
        store = open_it(settings, migrate=True)
        try:
            work(store)
        finally:
            store.close()
    except (AccessError, StoreError, StoreRevisionError) as error:
        return problem(str(error))
    return 0
