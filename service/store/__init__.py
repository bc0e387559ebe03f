"""The durable store: journal, states, notices and deliveries, on SQLite or PostgreSQL."""

from service.store.backup import BackupError, back_up, restore, take_over
from service.store.backup import check as check_backup
from service.store.files import StoreUnreadableError
from service.store.kept import dated, rotate
from service.store.schema import Upgraded, upgrade
from service.store.shards import forget, refuse_unregistered, register
from service.store.store import Store, open_store

__all__ = [
    "BackupError",
    "Store",
    "StoreUnreadableError",
    "Upgraded",
    "back_up",
    "check_backup",
    "dated",
    "forget",
    "open_store",
    "refuse_unregistered",
    "register",
    "restore",
    "rotate",
    "take_over",
    "upgrade",
]
