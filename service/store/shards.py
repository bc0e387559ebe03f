"""How the floor is divided, as the database knows it: a row for each shard, in the default schema.

The catch-all's store is in the default schema, where the only one was before; every other has a schema of its
own. Only ``register`` and ``forget`` write the rows, under the lock of the migrations. No history is ever
moved: a division under which a line would leave the store that remembers it is refused.
"""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
from sqlalchemy import Connection, delete, inspect, select
from sqlalchemy.dialects import postgresql
from sqlalchemy.schema import MetaData

from service.domain.model import Instant
from service.domain.shards import Shard, owner_of
from service.ports import StoreRevisionError
from service.store.database import Database
from service.store.engines import is_sqlite, parse
from service.store.schema import Upgraded, locked, upgrade
from service.store.tables import shard as table
from service.store.tables import state
from service.store.united import number_apart, unite

_lines = msgspec.json.Decoder(tuple[str, ...])


def schema_of(shard: Shard | None) -> str | None:
    """The PostgreSQL schema where its store is; ``None``: the default one."""
    return None if shard is None or shard.catches_all else "shard_" + shard.name.replace("-", "_")


class SqlRegistry:
    """The rows, by any of the database's instances."""

    def __init__(self, common: Database) -> None:
        """``common``: the store in the default schema."""
        self._common = common

    def shards(self) -> Sequence[Shard]:
        """All that are registered, by name."""
        return self._common.read(_registered)


def register(url: str, shard: Shard, *, now: Instant) -> Upgraded:
    """Bring a shard's store, and the common one, to this program's revision and make known which lines are
    its own; nothing to do is fine. Raises ``StoreRevisionError`` with what is against it, then nothing is
    registered; ``StoreError``: not to be reached or locked."""
    parsed = parse(url)
    if is_sqlite(parsed):
        raise StoreRevisionError("shards need PostgreSQL: an SQLite file can't be shared; correct store.url")
    done = upgrade(url)
    with locked(parsed) as connection:
        _refuse(connection, shard)
    schema = schema_of(shard)
    if schema is not None:
        done = upgrade(url, schema=schema)
    with locked(parsed) as connection, connection.begin():
        _refuse(connection, shard)
        data = msgspec.json.encode(shard.lines)
        row = postgresql.insert(table).values(name=shard.name, data=data, registered_at=now)
        new = {"data": row.excluded.data, "registered_at": row.excluded.registered_at}
        changed = row.excluded.data != table.c.data
        connection.execute(row.on_conflict_do_update(index_elements=[table.c.name], set_=new, where=changed))
        _bring_together(connection, schema)
    return done


def _bring_together(connection: Connection, new: str | None = None) -> None:
    """What is read of all shards that have a store, once the row of ``new`` is there."""
    schemas = [schema for each in _registered(connection) if _is_there(connection, schema := schema_of(each))]
    if new is not None:
        number_apart(connection, new, [None, *(each for each in schemas if each != new)])
    unite(connection, schemas)


def forget(url: str, name: str) -> Sequence[str]:
    """End a shard: its lines go to others, who begin anew with them. Its schema stays as it is; the lines
    that it remembers. ``KeyError``: none of that name is registered."""
    with locked(parse(url)) as connection, connection.begin():
        gone = next((each for each in _registered(connection) if each.name == name), None)
        if gone is None:
            raise KeyError(name)
        connection.execute(delete(table).where(table.c.name == name))
        _bring_together(connection)
        return sorted(_lines_in(connection, schema_of(gone)))


def refuse_unregistered(shard: Shard | None, shards: Sequence[Shard]) -> None:
    """Raise ``StoreRevisionError`` unless an instance may run with the lines that its settings say."""
    again = "run `earlybell upgrade-store --config …` once, then start again"
    if shard is None:
        if shards:
            names = ", ".join(each.name for each in shards)
            raise StoreRevisionError(
                f"the floor is divided among shards on this database ({names}), these settings name none: "
                "set shard.name and shard.lines, or another database in store.url"
            )
        return
    known = {each.name: each for each in shards}.get(shard.name)
    if known is None:
        raise StoreRevisionError(f"shard {shard.name} isn't registered: {again}")
    if known != shard:
        raise StoreRevisionError(
            f"shard {shard.name} is registered with the lines {', '.join(known.lines)}, these settings say "
            f"{', '.join(shard.lines)}: {again}"
        )
    if not any(each.catches_all for each in shards):
        raise StoreRevisionError(
            'no shard has lines = ["*"]: what no pattern fits would be lost; register it with '
            "`earlybell upgrade-store` and its settings, then start again"
        )


def _registered(connection: Connection) -> Sequence[Shard]:
    rows = connection.execute(select(table.c.name, table.c.data).order_by(table.c.name))
    return [Shard(row.name, _lines.decode(row.data)) for row in rows]


def _refuse(connection: Connection, shard: Shard) -> None:
    """Raise unless the floor can be divided so."""
    others = [each for each in _registered(connection) if each.name != shard.name]
    first = next((each for each in others if each.catches_all), None)
    if shard.catches_all and first is not None:
        raise StoreRevisionError(
            f'shard {first.name} has lines = ["*"] already, only one can: name the lines of {shard.name}'
        )
    _refuse_to_move(connection, shard, [*others, shard])


def _refuse_to_move(connection: Connection, shard: Shard, shards: Sequence[Shard]) -> None:
    """Every line that a store remembers must stay with it."""
    schemas = {None, *map(schema_of, shards), schema_of(Shard(shard.name, ()))}
    for schema in sorted(schemas, key=lambda name: name or ""):
        for line in sorted(_lines_in(connection, schema)):
            owner = owner_of(line, shards)
            if schema_of(owner) != schema:
                goes = "nobody" if owner is None else f"shard {owner.name}"
                where = "the default schema" if schema is None else f"schema {schema}"
                raise StoreRevisionError(
                    f"line {line} would go to {goes}, but its history is in {where}: "
                    "nothing is moved; leave the line where it is"
                )


def _lines_in(connection: Connection, schema: str | None) -> set[str]:
    """The lines that the store in a schema remembers."""
    if not _is_there(connection, schema):
        return set()
    there = state if schema is None else state.to_metadata(MetaData(), schema=schema)
    keys = connection.execute(select(there.c.key).where(there.c.key >= "line/", there.c.key < "line0"))
    return {key.removeprefix("line/") for (key,) in keys}


def _is_there(connection: Connection, schema: str | None) -> bool:
    """Whether a store is: after a restore into a new database one shard's may be registered before it is."""
    return inspect(connection).has_table(state.name, schema=schema)
