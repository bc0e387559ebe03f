"""The durable store: journal, states, notices and deliveries, on SQLite or PostgreSQL."""

from service.store.backup import BackupError, back_up, must_not_be_used, restore, take_over
from service.store.backup import check as check_backup
from service.store.engines import file_of
from service.store.files import StoreUnreadableError
from service.store.kept import dated, rotate
from service.store.prune import free_inside, prunable, shrink
from service.store.schema import Upgraded, upgrade
from service.store.shards import forget, refuse_unregistered, register
from service.store.store import Store, open_all, open_store
from service.store.united import United, open_united

__all__ = [
    "BackupError",
    "Store",
    "StoreUnreadableError",
    "United",
    "Upgraded",
    "back_up",
    "check_backup",
    "dated",
    "file_of",
    "forget",
    "free_inside",
    "must_not_be_used",
    "open_all",
    "open_store",
    "open_united",
    "prunable",
    "refuse_unregistered",
    "register",
    "restore",
    "rotate",
    "shrink",
    "take_over",
    "upgrade",
]
