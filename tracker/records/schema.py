"""Which schema a database has, and bringing it up to ours through the Alembic migrations in this package."""

from pathlib import Path

from sqlalchemy import Connection, Engine, inspect, text

from tracker.errors import BadRequest
from tracker.records.session import read_transaction, write_transaction

HEAD = "v0005"
"""The newest migration; kept here so that a workspace which is up to date opens without loading Alembic."""


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


def bring_up_to_date(engine: Engine) -> None:
    """Create the schema, or run the migrations that are missing; all in one transaction under the write lock.

    Raises
    ------
    BadRequest
        When a newer Lotproof wrote the database.
    """
    with read_transaction(engine) as connection:
        if revision(connection) == HEAD:
            return
    with write_transaction(engine) as connection:
        # Another bench may have done it while we waited for the lock.
        if revision(connection) != HEAD:
            _upgrade(connection)


def _upgrade(connection: Connection) -> None:
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    config.attributes["connection"] = connection
    known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
    present = revision(connection)
    if present is not None and present not in known:
        raise BadRequest(
            f"This workspace was written by a newer Lotproof (records at {present}, known here up to {HEAD}).",
            "Update Lotproof: pip install --upgrade lotproof",
        )
    command.upgrade(config, "head")
