"""The durable store: journal, states, notices and deliveries, on SQLite or PostgreSQL."""

from service.store.files import StoreUnreadableError
from service.store.schema import Upgraded, upgrade
from service.store.store import Store, open_store

__all__ = ["Store", "StoreUnreadableError", "Upgraded", "open_store", "upgrade"]
