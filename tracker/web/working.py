"""The work list of a served workspace, and the worker that does it while the server runs."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from tracker.desk.task_rows import TaskRows
from tracker.desk.task_worker import Worker
from tracker.desk.workspace import Workspace
from tracker.errors import LotproofError

MOST_FOLLOWERS = 60
"""Pages that are told of changes at once; each holds a connection (common practice, no source)."""


class Working:
    """The list is opened when first asked for, so that a damaged one stops no other page."""

    def __init__(self, workspace: Workspace) -> None:
        self._workspace = workspace
        self._lock = threading.Lock()
        self._rows: TaskRows | None = None
        self._worker: Worker | None = None
        self.ending = threading.Event()
        """Set when the server is about to end: who follows the list is let go."""
        self._followers = 0

    @property
    def rows(self) -> TaskRows:
        """The work list.

        Raises
        ------
        BadRequest, Damaged
            When it cannot be opened.
        """
        with self._lock:
            if self._rows is None:
                self._rows = TaskRows(self._workspace.folder)
            return self._rows

    def start(self) -> None:
        """Begin to work off what waits."""
        with suppress(LotproofError):  # said by the pages that need the list
            self._worker = Worker(self._workspace, self.rows).__enter__()

    def wake(self) -> None:
        """Say that there is work."""
        if self._worker is not None:
            self._worker.wake()

    def stop(self) -> None:
        """End; what is being looked at waits for the next server."""
        self.ending.set()
        if self._worker is not None:
            self._worker.__exit__(None, None, None)
        if self._rows is not None:
            self._rows.close()

    @property
    def full(self) -> bool:
        """Whether as many follow the list as may."""
        return self._followers >= MOST_FOLLOWERS

    @contextmanager
    def followed(self) -> Iterator[None]:
        """Count one more follower for as long as this lasts."""
        with self._lock:
            self._followers += 1
        try:
            yield
        finally:
            with self._lock:
                self._followers -= 1
