"""Which schema a database has, and bringing it up to ours through the Alembic migrations in this package."""

from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, Engine, inspect, text

from tracker.errors import BadRequest
from tracker.records.session import read_transaction, write_transaction

if TYPE_CHECKING:
    from alembic.config import Config

HEAD = "v0008"
"""The newest migration; kept here so that a workspace which is up to date opens without loading Alembic."""
UNFINISHED = f"unfinished {HEAD}"
"""What stands in the place of a migration while records are being copied from elsewhere; nothing opens them."""


def is_unfinished(revision: str | None) -> bool:
    """Tell whether records are the beginning of a copy, of this schema or another."""
    return (revision or "").startswith("unfinished")


def revision(connection: Connection) -> str | None:
    """Return the migration a database stands at, or None when it holds no records yet."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    found = connection.execute(text("SELECT version_num FROM alembic_version")).scalar()
    return None if found is None else str(found)


def is_empty(engine: Engine) -> bool:
    """Tell whether a database holds no records yet."""
    with read_transaction(engine) as connection:
        return revision(connection) is None


def has_tables(connection: Connection) -> bool:
    """Tell whether a database holds any table, ours or not."""
    return bool(inspect(connection).get_table_names())


def begin_unfinished(engine: Engine) -> None:
    """Make our tables in an empty database for a copy that is not to be opened before it is whole."""
    with write_transaction(engine) as connection:
        if revision(connection) is not None:  # somebody else began at the same moment; they meet at the first row
            return
        upgrade(connection)
        connection.execute(text("UPDATE alembic_version SET version_num = :now"), {"now": UNFINISHED})


def end_unfinished(connection: Connection) -> None:
    """Let a copy that is whole be opened."""
    connection.execute(text("UPDATE alembic_version SET version_num = :now"), {"now": HEAD})


def bring_up_to_date(engine: Engine) -> None:
    """Create the schema, or run the migrations that are missing; all in one transaction under the write lock.

    Raises
    ------
    BadRequest
        When a newer Lotproof wrote the database.
    """
    with read_transaction(engine) as connection:
        present = revision(connection)
    if present == HEAD:
        return
    if is_unfinished(present):
        raise BadRequest(
            "A workspace is being copied to this place, and the copy is not finished.",
            "Wait for it; where it was broken off, run the same `lotproof workspace` command again.",
        )
    # Before the write lock: who may only read, or finds the records busy, shall hear what is the matter.
    _refuse_newer(present)
    with write_transaction(engine) as connection:
        # Another bench may have done it while we waited for the lock.
        if revision(connection) != HEAD:
            _refuse_newer(revision(connection))
            upgrade(connection)


def upgrade(connection: Connection, to: str = "head") -> None:
    """Run the missing migrations up to a revision, inside the connection's transaction."""
    from alembic import command

    config = _config()
    config.attributes["connection"] = connection
    command.upgrade(config, to)


def revisions() -> tuple[str, ...]:
    """Return every revision there was, the oldest first."""
    from alembic.script import ScriptDirectory

    return tuple(script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions())[::-1]


def _config() -> "Config":
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    return config


def _refuse_newer(present: str | None) -> None:
    if present is not None and present not in revisions():
        raise BadRequest(
            f"This workspace was written by a newer Lotproof (records at {present}, known here up to {HEAD}). "
            "Nothing was changed.",
            "Update Lotproof: pip install --upgrade lotproof",
        )
