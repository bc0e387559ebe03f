"""The durable store: journal, states, notices and deliveries, on SQLite or PostgreSQL."""

from service.store.backup import BackupError, back_up, restore
from service.store.files import StoreUnreadableError
from service.store.schema import Upgraded, upgrade
from service.store.store import Store, open_store

__all__ = [
    "BackupError",
    "Store",
    "StoreUnreadableError",
    "Upgraded",
    "back_up",
    "open_store",
    "restore",
    "upgrade",
]
