"""What a database error means to the caller: run the transaction again, come back later, or a defect of ours.

Only codes decide, never the wording of a message.
"""

from __future__ import annotations

import sqlite3
from enum import Enum, auto

import psycopg
from sqlalchemy.exc import DBAPIError, SQLAlchemyError
from sqlalchemy.exc import TimeoutError as PoolTimeout


class Fault(Enum):
    AGAIN = auto()
    """A lost race or a lost connection: the same transaction may well succeed at once."""
    LATER = auto()
    """Down, locked, full or read-only: someone or something else has to change first."""
    CORRUPT = auto()
    """The file isn't a database, or no longer a sound one."""
    OURS = auto()
    """A wrong statement or value: repeating it gives the same."""


# Primary result codes, https://www.sqlite.org/rescode.html
_SQLITE_LATER = {
    sqlite3.SQLITE_BUSY,
    sqlite3.SQLITE_LOCKED,
    sqlite3.SQLITE_NOMEM,
    sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_IOERR,
    sqlite3.SQLITE_FULL,
    sqlite3.SQLITE_CANTOPEN,
    sqlite3.SQLITE_PROTOCOL,
}
_SQLITE_CORRUPT = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}

# SQLSTATEs and their classes, https://www.postgresql.org/docs/current/errcodes-appendix.html
_AGAIN = ("40001", "40P01", "08", "57P01", "57P02", "57P05", "25P03")
_LATER = ("53", "58", "55P03", "57014", "57P03", "25006")


def judge(error: SQLAlchemyError) -> Fault:
    """The fault behind what SQLAlchemy raised."""
    if isinstance(error, PoolTimeout):
        return Fault.LATER
    cause = error.orig if isinstance(error, DBAPIError) else None
    if isinstance(cause, sqlite3.Error):
        return judge_sqlite(cause)
    if isinstance(error, DBAPIError) and isinstance(cause, psycopg.Error):
        return _judge_postgresql(cause, lost=error.connection_invalidated)
    return Fault.OURS


def judge_sqlite(error: sqlite3.Error) -> Fault:
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF
    if code in _SQLITE_LATER:
        return Fault.LATER
    return Fault.CORRUPT if code in _SQLITE_CORRUPT else Fault.OURS


def _judge_postgresql(error: psycopg.Error, *, lost: bool) -> Fault:
    code = error.sqlstate or ""
    if lost or code.startswith(_AGAIN):
        return Fault.AGAIN
    if not code:  # no word from the server: it can't be reached
        return Fault.LATER if isinstance(error, psycopg.OperationalError) else Fault.OURS
    return Fault.LATER if code.startswith(_LATER) else Fault.OURS


def words(error: SQLAlchemyError) -> str:
    """The driver's own first line: no statement, no values, no URL."""
    cause = error.orig if isinstance(error, DBAPIError) else error
    return (str(cause).strip().splitlines() or [type(cause).__name__])[0]
