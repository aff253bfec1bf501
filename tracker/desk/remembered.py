"""What was worked out from the records, kept within a process until the journal has a new entry.

Only pure functions of the records belong here. They hold for the entry that was the newest when they were made, so they
are asked for by its hash, in a session that sees one moment of the records. Acts leave nothing here: what they write
shows in the records before the journal has its entry. They are handed what was made last, and take from it what holds.
"""

from collections.abc import Callable
from typing import TypeVar

from sqlalchemy.orm import Session

Value = TypeVar("Value")
_KEY, _BEFORE = "lotproof.remembered", "lotproof.remembered.before"


class Remembered:
    """Values by name, for one head of the journal. Threads may share it: the worst is that two make the same value."""

    def __init__(self) -> None:
        self._now: tuple[str, dict[str, object], dict[str, object]] = ("", {}, {})

    def once(self, head: str, name: str, make: Callable[[Value | None], Value]) -> Value:
        """Return what `make` gives, made once at this head; it is handed what it gave at the head before."""
        at, values, before = self._now
        if at != head:
            at, values, before = self._now = (head, {}, values)
        if name not in values:
            values[name] = make(before.get(name))  # type: ignore[arg-type]
        value: Value = values[name]  # type: ignore[assignment]
        return value

    def latest(self, name: str) -> object:
        """Return what was made last under a name, whatever entry it was made at; None where nothing was."""
        _, values, before = self._now
        return values.get(name) or before.get(name)

    def info(self) -> dict[str, "Remembered"]:
        """Return what a reading session is to carry."""
        return {_KEY: self}

    def info_of_act(self) -> dict[str, "Remembered"]:
        """Return what an act's session is to carry: it may start from what was made before, and leaves nothing here."""
        return {_BEFORE: self}


def only_reads(session: Session) -> bool:
    """Tell whether a session sees the records as the journal has them, and no rows of an act under way."""
    return _KEY in session.info


def once(session: Session, head: str, name: str, make: Callable[[Value | None], Value]) -> Value:
    """Return what `make` gives of the records of a session; in a session that only reads, made once at this head.

    Parameters
    ----------
    make : callable
        Is handed what it gave at the head before, or None; it may take from there what still holds.
    """
    kept: Remembered | None = session.info.get(_KEY)
    if kept is not None:
        return kept.once(head, name, make)
    earlier: Remembered | None = session.info.get(_BEFORE)
    return make(None if earlier is None else earlier.latest(name))  # type: ignore[arg-type]
