"""Who does the work list's work: one task at a time in a workspace, whatever servers are open on it.

Looking may be broken off at any moment, writing never. What a kill broke off is begun again by whoever works next. An
act notes, before it commits, which journal entry it is about to be; afterwards the journal tells whether it came about.
So each photo is recorded once, even if the kill came between the commit and our hearing of it.
"""

import logging
import os
import sqlite3
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, suppress
from pathlib import Path
from types import TracebackType

from tracker.desk.breaking_off import BrokenOff
from tracker.desk.inspect import Hands, every_core
from tracker.desk.task import CANCELLED, DONE, DOSSIER, EXPORT, FAILED, PhotoRow, Task
from tracker.desk.task_kinds import Doing, dossier, export, photograph_one
from tracker.desk.task_rows import TaskRows
from tracker.desk.uploads import INCOMING, drop_photo
from tracker.desk.workspace import Workspace
from tracker.errors import LotproofError

MOST_ATTEMPTS = 3
"""A photo whose looking-at ended the whole program so often is not looked at again unasked (our own choice)."""
_LOCK = "worker.lock"
_LOOK_S, _TAKE_OVER_S = 1.0, 2.0
"""How soon work that another process asked for is seen, and how soon another server's place is taken once it ended."""
NICE = 10
"""How far the work steps back behind the pages, of 19 (common practice, no source)."""
_LOG = logging.getLogger("lotproof.work")


class Worker:
    """Takes the tasks of a workspace in order.

    Parameters
    ----------
    workspace : Workspace
        It stays open as long as the worker works.
    rows : TaskRows
    hands : callable, optional
        Opens the crew that looks at photos. It is opened with the first photo and kept, so that the networks stay
        loaded.
    """

    def __init__(
        self,
        workspace: Workspace,
        rows: TaskRows,
        *,
        hands: Callable[[], AbstractContextManager[Hands]] = every_core,
    ) -> None:
        self._workspace, self._rows, self._open_hands = workspace, rows, hands
        self._ending, self._wake = threading.Event(), threading.Event()
        self._crew: Hands | None = None
        self._crews = ExitStack()
        self._thread: threading.Thread | None = None

    def __enter__(self) -> "Worker":
        """Begin to work, in a thread of its own."""
        self._thread = threading.Thread(target=self._run, name="work list")
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        """End: what is being looked at waits for the next server, what is being written is written."""
        self._ending.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join()

    def wake(self) -> None:
        """Say that there is work; without it, it is noticed a second later."""
        self._wake.set()

    def work_off(self) -> bool:
        """Do what waits, here and now; False where another worker has this workspace's work in hand."""
        with alone(self._rows.folder) as mine:
            if mine:
                try:
                    self._recover()
                    while self._one():
                        pass
                finally:
                    self._let_go()
            return mine

    def _run(self) -> None:
        _step_back()
        while not self._ending.is_set():
            try:
                with alone(self._rows.folder) as mine:
                    if mine:
                        self._recover()
                        self._go_on()
            except Exception:  # a full disk, say: the thread must live to see it end
                _LOG.exception("The work list stopped; it goes on in a moment.")
            finally:
                self._let_go()
            self._ending.wait(_TAKE_OVER_S)

    def _go_on(self) -> None:
        while not self._ending.is_set():
            self._wake.clear()
            if not self._one():
                self._wake.wait(_LOOK_S)

    def _recover(self) -> None:
        """Take up what an earlier worker left, and remove the copies of photos that became evidence."""
        for task in self._rows.running():
            if task.stopping:
                self._rows.end(task.number, CANCELLED)
            else:
                self._rows.put_back(task.number, killed=True)
        there = {path.name for path in _folders(self._rows.folder / INCOMING)}
        for task in self._rows.every() if there else ():
            for photo in task.photos if task.token in there else ():
                if photo.state == DONE:
                    drop_photo(self._rows.folder, task.token, photo.number)

    def _one(self) -> bool:
        """Do the next task; False where none waits or the worker is to end."""
        waiting = self._rows.waiting()
        if self._ending.is_set() or not waiting:
            return False
        if self._rows.begin(waiting[0].number):  # else cancelled this moment
            self._do(self._rows.get(waiting[0].number))
        return True

    def _do(self, task: Task) -> None:
        doing = Doing(self._workspace, self._rows, task, lambda: self._check(task.number))
        try:
            if task.wish.kind in _MAKERS:
                _refuse_many(task.attempts, task.wish.subject)
                self._rows.end(task.number, DONE, made=_MAKERS[task.wish.kind](doing))
            else:
                self._photograph(doing)
        except BrokenOff:
            if self._rows.stopping(task.number):
                self._rows.end(task.number, CANCELLED)
            else:
                self._rows.put_back(task.number)
        except Exception as error:
            self._rows.end(task.number, FAILED, *_words(error))

    def _photograph(self, doing: Doing) -> None:
        task = doing.task
        for photo in task.photos:
            if photo.state != DONE:
                doing.check()
                self._photo(doing, photo)
        photos = self._rows.get(task.number).photos
        failed = [one for one in photos if one.state == FAILED]
        if not failed:
            self._rows.end(task.number, DONE)
        elif len(photos) == 1:
            self._rows.end(task.number, FAILED, failed[0].what, failed[0].advice)
        else:
            what = f"{len(failed)} of {len(photos)} photos could not be recorded; the others were."
            what = what if len(failed) < len(photos) else f"None of the {len(photos)} photos could be recorded."
            self._rows.end(task.number, FAILED, what, "Each says below why.")

    def _photo(self, doing: Doing, photo: PhotoRow) -> None:
        number = doing.task.number
        try:
            _refuse_many(self._rows.begin_photo(number, photo.number), f"'{photo.name}'")
            document = photograph_one(doing, photo, self._hands())
        except BrokenOff:
            self._rows.leave_photo(number, photo.number)
            raise
        except Exception as error:
            self._rows.end_photo(number, photo.number, FAILED, *_words(error))
            return
        self._rows.end_photo(number, photo.number, DONE, document=document.model_dump_json(by_alias=True))
        drop_photo(self._rows.folder, doing.task.token, photo.number)

    def _check(self, number: int) -> None:
        if self._ending.is_set() or self._rows.stopping(number):
            raise BrokenOff

    def _hands(self) -> Hands:
        if self._crew is not None and not self._crew.whole:
            self._let_go()
        if self._crew is None:
            self._crew = self._crews.enter_context(self._open_hands())
        return self._crew

    def _let_go(self) -> None:
        self._crew = None
        self._crews.close()


_MAKERS: dict[str, Callable[[Doing], str]] = {EXPORT: export, DOSSIER: dossier}


@contextmanager
def alone(work: Path) -> Iterator[bool]:
    """Hold the one place of a worker on a work folder; False where somebody else has it.

    It is a lock of SQLite's on an empty file: it works on every system and ends with the process that held it.
    """
    connection = sqlite3.connect(work / _LOCK, timeout=0.0, isolation_level=None, check_same_thread=False)
    try:
        try:
            connection.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError:
            yield False
            return
        yield True
    finally:
        connection.close()


def _folders(path: Path) -> list[Path]:
    with suppress(FileNotFoundError):
        return list(path.iterdir())
    return []


def _refuse_many(attempts: int, what: str) -> None:
    if attempts > MOST_ATTEMPTS:
        raise LotproofError(
            f"The program ended {MOST_ATTEMPTS} times while it was at work on {what}.",
            "Nothing of it was recorded. Look whether the machine has enough memory, then try again.",
        )


def _words(error: Exception) -> tuple[str, str]:
    """Return what went wrong and what to do, for a person; a fault of ours is logged whole."""
    if isinstance(error, LotproofError):
        return error.what, error.advice
    _LOG.error("The work list met a fault.", exc_info=error)
    return (
        f"Lotproof itself went wrong ({type(error).__name__}).",
        "Nothing of it was recorded. Try again; the server's own messages tell more.",
    )


def _step_back() -> None:
    """Let this thread, and the processes it will start, wait for whoever has a page open, where the system can."""
    # Elsewhere than on Linux a thread has no priority of its own, and the whole server would step back.
    if sys.platform == "linux":
        with suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), NICE)
