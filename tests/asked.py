"""How many questions a use-case asks the database."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from sqlalchemy import event

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
