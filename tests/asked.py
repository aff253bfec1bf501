"""How many questions a use-case asks the database, and how much work that is."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Engine, Pool, event

from tracker.desk.workspace import Workspace


@dataclass
class Asked:
    """The statements sent so far."""

    statements: list[str] = field(default_factory=list)

    @property
    def number(self) -> int:
        """How many."""
        return len(self.statements)


@contextmanager
def asked(workspace: Workspace) -> Iterator[Asked]:
    """Count every statement that a workspace sends to its database meanwhile."""
    found = Asked()

    def note(_connection: object, _cursor: object, statement: str, *_: object) -> None:
        found.statements.append(statement)

    event.listen(workspace._engine, "before_cursor_execute", note)
    try:
        yield found
    finally:
        event.remove(workspace._engine, "before_cursor_execute", note)


STEP = 100
"""Steps of SQLite's virtual machine between two counts."""


@dataclass
class Work:
    """What was asked of any database of this process, and what that took it; rows and steps are SQLite's alone.

    Parameters
    ----------
    statements : list of str
    rows : int
        Rows that were handed over.
    steps : int
        Instructions of SQLite's virtual machine, to the next hundred of each statement: how much was looked at.
    """

    statements: list[str] = field(default_factory=list)
    rows: int = 0
    steps: int = 0


@contextmanager
def worked() -> Iterator[Work]:
    """Count what all engines of this process ask meanwhile, those that are made meanwhile as well."""
    found = Work()

    def note(_connection: object, _cursor: object, statement: str, *_: object) -> None:
        found.statements.append(statement)

    def row(_cursor: object, values: tuple[Any, ...]) -> tuple[Any, ...]:
        found.rows += 1
        return values

    def step() -> int:
        found.steps += STEP
        return 0

    def out(connection: Any, *_: object) -> None:
        if hasattr(connection, "set_progress_handler"):
            connection.row_factory = row
            connection.set_progress_handler(step, STEP)

    def back(connection: Any, *_: object) -> None:
        if hasattr(connection, "set_progress_handler"):
            connection.row_factory = None
            connection.set_progress_handler(None, 0)

    heard = ((Engine, "before_cursor_execute", note), (Pool, "checkout", out), (Pool, "checkin", back))
    for target, name, do in heard:
        event.listen(target, name, do)
    try:
        yield found
    finally:
        for target, name, do in heard:
            event.remove(target, name, do)
