"""Runs the migrations on the connection it is handed, in one transaction on both databases.

By hand, to draft a new revision: ``alembic -x url=sqlite:///draft.db revision --autogenerate -m "…"``.
"""

from alembic import context
from sqlalchemy import Connection

from service import crash
from service.store.engines import migrator, parse
from service.store.tables import metadata


def migrate(connection: Connection) -> None:
    context.configure(
        connection=connection,
        target_metadata=metadata,
        # SQLite changes most things about a table only by building it anew.
        render_as_batch=connection.dialect.name == "sqlite",
        # True of SQLite as well, since our connections begin explicitly (Alembic can't know).
        transactional_ddl=True,
    )
    with context.begin_transaction():
        context.run_migrations()
        crash.point("migrate_mid")


def migrate_by_hand() -> None:
    url = context.get_x_argument(as_dictionary=True).get("url")
    if url is None:
        raise SystemExit("say which store: alembic -x url=sqlite:///draft.db …")
    with migrator(parse(url)).connect() as connection:
        migrate(connection)


given: Connection | None = context.config.attributes.get("connection")
if given is not None:
    migrate(given)
else:
    migrate_by_hand()
