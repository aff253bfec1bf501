"""The migrations give exactly the tables of the models, on both databases, and refuse what they do not know."""

from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import text

from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records import migrations
from tracker.records.models import Base
from tracker.records.schema import HEAD
from tracker.records.session import read_transaction, write_transaction


def test_migrations_and_models_agree(workspace_folder: Path) -> None:
    with (
        Workspace.open(workspace_folder, create=True) as workspace,
        read_transaction(workspace._engine) as connection,
    ):
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []
        assert context.get_current_revision() == HEAD


def test_head_is_the_newest_migration() -> None:
    config = Config()
    config.set_main_option("script_location", str(Path(migrations.__file__).parent))
    assert ScriptDirectory.from_config(config).get_current_head() == HEAD


def test_newer_schema_is_refused_and_left_alone(workspace: Workspace) -> None:
    with write_transaction(workspace._engine) as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = 'v9999'"))
    with pytest.raises(BadRequest, match="written by a newer Lotproof"):
        Workspace.open(workspace.folder)
    with read_transaction(workspace._engine) as connection:
        assert connection.execute(text("SELECT version_num FROM alembic_version")).scalar() == "v9999"


def test_a_reading_session_cannot_write(workspace: Workspace) -> None:
    with pytest.raises(Exception, match=r"(?i)read-?only"), read_transaction(workspace._engine) as connection:
        connection.execute(text("DELETE FROM alembic_version"))


def test_sqlite_is_set_for_safety(tmp_path: Path) -> None:
    with (
        Workspace.open(tmp_path / "w", create=True) as workspace,
        read_transaction(workspace._engine) as connection,
    ):
        asked = {
            name: connection.execute(text(f"PRAGMA {name}")).scalar()
            for name in ("journal_mode", "foreign_keys", "synchronous")
        }
    # Values as in SQLite's documentation of its pragmas: synchronous 2 is FULL.
    assert asked == {"journal_mode": "wal", "foreign_keys": 1, "synchronous": 2}
