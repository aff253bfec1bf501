"""The spool of a workspace: tables of readings whose run is not recorded yet.

A bench at work writes there, and what a power cut or a lost link broke off stays there. Nobody but the person at the
bench knows which of the two a table is, so none of them is a fault, and none is removed unless that is asked for.
"""

import hashlib
import os
import shlex
from collections.abc import Container
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tracker.disk import sync_folder
from tracker.instruments.scpi import QUANTITIES

SPOOL = "spool"
QUIET = timedelta(days=2)
"""A table that was written to since then may be of a bench at work. Readings can be a day apart (`Plan` of
tracker/instruments/reading.py); twice that is common practice, no source."""
_VERB_OF = {QUANTITIES["current"].column: "current", QUANTITIES["temperature"].column: "soak"}


@dataclass(frozen=True, slots=True)
class LeftOver:
    """One table in the spool.

    Attributes
    ----------
    path : Path
    readings : int
        Whole lines below the head; those without a value are counted, too.
    verb : str
        The bench verb that takes such readings, e.g. 'soak'; '...' where the table does not tell.
    torn : bool
        Its last line is only half there: the bench refuses a table like that.
    written : datetime
        When it was last written to, in UTC.
    recorded : bool
        The same bytes are evidence already: only the removal was interrupted.
    """

    path: Path
    readings: int
    verb: str
    torn: bool
    written: datetime
    recorded: bool

    @property
    def name(self) -> str:
        """Its name, relative to the workspace."""
        return f"{SPOOL}/{self.path.name}"

    @property
    def sentence(self) -> str:
        """What it is and what can be done with it."""
        last = f"last written {self.written:%Y-%m-%d %H:%M} UTC"
        if self.recorded:
            return f"{self.name} is recorded, and a copy of it was left. `lotproof tidy --spool` removes it."
        if not self.readings:
            return f"{self.name} ({last}) holds no reading. `lotproof tidy --spool` removes it after {QUIET.days} days."
        count = "1 reading" if self.readings == 1 else f"{self.readings} readings"
        first = "Delete its last line, which is torn; then " if self.torn else ""
        return (
            f"{self.name} holds {count} of no recorded run ({last}): one that broke off, or of a bench at work now. "
            f"{first}`lotproof bench {self.verb} ... --from {shlex.quote(str(self.path))}` records them; "
            f"`lotproof tidy --spool` removes them after {QUIET.days} days."
        )

    def removable(self, now: datetime) -> bool:
        """Tell whether no bench can still need it."""
        return self.recorded or now - self.written > QUIET


def spooled(folder: Path) -> Path:
    """Return a new name in the spool of the workspace at `folder`."""
    now = datetime.now(UTC).strftime("%Y%m%dT%H%M%S.%fZ")
    return folder / SPOOL / f"read-{now}-{os.getpid()}.csv"


def left_over(folder: Path) -> tuple[Path, ...]:
    """Return the tables in the spool of a workspace: of runs that never came about, or of another bench at work."""
    return tuple(sorted((folder / SPOOL).glob("read-*.csv")))


def look(folder: Path, evidence: Container[str]) -> tuple[LeftOver, ...]:
    """Return what the tables in the spool hold.

    Parameters
    ----------
    folder : Path
        The workspace's.
    evidence : collection of str
        The SHA-256 of every file that is evidence.
    """
    found = []
    for path in left_over(folder):
        with suppress(FileNotFoundError):  # recorded by another bench since it was listed
            found.append(_look(path, evidence))
    return tuple(found)


def _look(path: Path, evidence: Container[str]) -> LeftOver:
    written = datetime.fromtimestamp(path.stat().st_mtime, UTC)
    try:
        data = path.read_bytes()
    except PermissionError:  # another user's bench
        return LeftOver(path, 0, "...", False, written, recorded=False)
    head, _, rows = data.partition(b"\n")
    columns = head.decode(errors="replace").split(",")
    verb = next((_VERB_OF[column] for column in columns if column in _VERB_OF), "...")
    recorded = hashlib.sha256(data).hexdigest() in evidence
    return LeftOver(path, rows.count(b"\n"), verb, not data.endswith(b"\n"), written, recorded)


def discard(path: Path) -> bool:
    """Remove a spooled table and return whether it is gone; it is left where the system refuses."""
    try:
        path.unlink(missing_ok=True)
        sync_folder(path.parent)
    except OSError:
        return False
    return True
