"""The work list on disk: what was asked of this bench, in which state it is, and what came of it.

It is a small SQLite file beside the records and no part of them: a task changes its state, and none is evidence. Every
change is one synced transaction, so what was acknowledged is there after a kill or a power cut.
"""

import json
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tracker.desk.task import CANCELLED, DONE, FAILED, RUNNING, WAITING, PhotoRow, Refused, Task, Wish
from tracker.disk import make_folder
from tracker.errors import BadRequest, Damaged, NoSuch

if TYPE_CHECKING:
    from pydantic import TypeAdapter

WORK, LIST = "work", "list.sqlite"
_VERSION = 1
_BUSY_S = 30.0
"""How long one server waits for another's change; our own choice, as for the records (tracker/records/session.py)."""
_TABLES = """
CREATE TABLE task (
  id INTEGER PRIMARY KEY AUTOINCREMENT, token TEXT NOT NULL UNIQUE, wish TEXT NOT NULL, operator TEXT NOT NULL,
  state TEXT NOT NULL, turn INTEGER NOT NULL, changed INTEGER NOT NULL, stopping INTEGER NOT NULL DEFAULT 0,
  done INTEGER NOT NULL, total INTEGER NOT NULL, words TEXT NOT NULL DEFAULT '', attempts INTEGER NOT NULL DEFAULT 0,
  asked_at TEXT NOT NULL, began_at TEXT, ended_at TEXT, what TEXT NOT NULL DEFAULT '', advice TEXT NOT NULL DEFAULT '',
  made TEXT NOT NULL DEFAULT '', refused TEXT NOT NULL DEFAULT '[]'
);
CREATE INDEX task_state ON task (state, turn);
CREATE INDEX task_changed ON task (changed);
CREATE TABLE photo (
  task INTEGER NOT NULL REFERENCES task (id), number INTEGER NOT NULL, name TEXT NOT NULL, sha256 TEXT NOT NULL,
  size_bytes INTEGER NOT NULL, warnings TEXT NOT NULL, state TEXT NOT NULL, attempts INTEGER NOT NULL DEFAULT 0,
  what TEXT NOT NULL DEFAULT '', advice TEXT NOT NULL DEFAULT '', entry INTEGER, document TEXT,
  PRIMARY KEY (task, number)
);
CREATE INDEX photo_sha256 ON photo (sha256);
"""
_NEXT = "(SELECT coalesce(max(changed), 0) + 1 FROM task)"


class TaskRows:
    """The work list of one workspace's folder; may be used from several threads.

    Parameters
    ----------
    folder : Path
        The workspace's.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder / WORK
        self._lock = threading.RLock()
        with _explained(self.folder):
            make_folder(self.folder)
            self._connection = sqlite3.connect(
                self.folder / LIST, timeout=_BUSY_S, isolation_level=None, check_same_thread=False
            )
            self._connection.row_factory = sqlite3.Row
            # A rollback journal and EXTRA: a commit is on the disk with the folder's entry when it returns.
            self._connection.execute("PRAGMA synchronous=EXTRA")
            self._set_up()

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    @contextmanager
    def _change(self) -> Iterator[sqlite3.Connection]:
        with self._lock, _explained(self.folder):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._connection
            except BaseException:
                self._connection.execute("ROLLBACK")
                raise
            self._connection.execute("COMMIT")

    def _set_up(self) -> None:
        if self._version() == 0:
            with self._change() as change:
                if self._version() == 0:  # another server was not quicker
                    for statement in filter(str.strip, _TABLES.split(";")):
                        change.execute(statement)
                    change.execute(f"PRAGMA user_version={_VERSION}")
        if self._version() != _VERSION:
            raise BadRequest(f"A newer Lotproof wrote the work list of {self.folder.parent}.", "Use that one.")

    def _version(self) -> int:
        return int(self._connection.execute("PRAGMA user_version").fetchone()[0])

    def _asked(self, query: str, *values: object) -> list[sqlite3.Row]:
        with self._lock, _explained(self.folder):
            return self._connection.execute(query, values).fetchall()

    def add(
        self,
        wish: Wish,
        operator: str,
        token: str,
        photos: Sequence[PhotoRow] = (),
        refused: Sequence[Refused] = (),
    ) -> Task:
        """Add a task; it is safe when this returns.

        Photos that another open task was asked to look at in the very same way are refused as well.

        Raises
        ------
        BadRequest
            When that leaves none.
        """
        with self._change() as change:
            wanted = [one for one in photos if not _waits_already(change, wish, one.sha256)]
            if photos and not wanted:
                raise BadRequest("They are being looked at already.", "The work list says how far that has come.")
            again = [Refused(p.name, f"'{p.name}' is being looked at already.") for p in photos if p not in wanted]
            left_out = json.dumps([asdict(one) for one in (*refused, *again)])
            row = change.execute(
                "INSERT INTO task (token, wish, operator, state, turn, changed, done, total, asked_at, refused) VALUES "
                f"(?, ?, ?, ?, (SELECT coalesce(max(turn), 0) + 1 FROM task), {_NEXT}, 0, ?, ?, ?) RETURNING id",
                (token, _as_text(wish), operator, WAITING, max(1, len(wanted)), now(), left_out),
            ).fetchone()
            change.executemany(
                "INSERT INTO photo (task, number, name, sha256, size_bytes, warnings, state) VALUES (?,?,?,?,?,?,?)",
                [
                    (row["id"], p.number, p.name, p.sha256, p.size_bytes, json.dumps(p.warnings), WAITING)
                    for p in wanted
                ],
            )
        return self.get(row["id"])

    def get(self, number: int) -> Task:
        """Return one task.

        Raises
        ------
        BadRequest
            When there is none of this number.
        """
        found = self._with_photos("WHERE id=?", number)
        if not found:
            raise NoSuch(f"There is no work W{number:04d}.", "The work list shows what there is.")
        return found[0]

    def newest(self, limit: int) -> tuple[Task, ...]:
        """Return the newest tasks, the newest first."""
        return self._with_photos("ORDER BY id DESC LIMIT ?", limit)

    def changed_since(self, mark: int) -> tuple[Task, ...]:
        """Return the tasks that changed after `mark` (the highest `changed` seen so far), in that order."""
        return self._with_photos("WHERE changed>? ORDER BY changed", mark)

    def mark(self) -> int:
        """Return the highest `changed` there is; 0 of an empty list."""
        return int(self._asked("SELECT coalesce(max(changed), 0) AS mark FROM task")[0]["mark"])

    def waiting(self) -> tuple[Task, ...]:
        """Return what waits, in its order."""
        return self._with_photos("WHERE state=? ORDER BY turn", WAITING)

    def running(self) -> tuple[Task, ...]:
        """Return what is running, or was when a server ended."""
        return self._with_photos("WHERE state=?", RUNNING)

    def every(self) -> tuple[Task, ...]:
        """Return all of them, the oldest first."""
        return self._with_photos("ORDER BY id")

    def stopping(self, number: int) -> bool:
        """Tell whether somebody asked to break it off."""
        return any(row["stopping"] for row in self._asked("SELECT stopping FROM task WHERE id=?", number))

    def begin(self, number: int) -> bool:
        """Make a waiting task a running one; False where it does not wait any more."""
        return self._move(number, "began_at=?, ended_at=NULL, attempts=attempts+1", (now(),), (WAITING,), RUNNING)

    def put_back(self, number: int, *, killed: bool = False) -> None:
        """Let a running task wait again: its server ends. Only where it was `killed` does the attempt count."""
        with self._change() as change:
            sets = "words='', stopping=0, attempts=max(attempts - ?, 0)"
            if self._move(number, sets, (0 if killed else 1,), (RUNNING,), WAITING):
                change.execute("UPDATE photo SET state=? WHERE task=? AND state=?", (WAITING, number, RUNNING))

    def tell(self, number: int, done: int, total: int, words: str) -> None:
        """Say how far a running task has come."""
        self._move(number, "done=?, total=?, words=?", (done, total, words), (RUNNING,), RUNNING)

    def say(self, number: int, words: str) -> None:
        """Say what is going on in a running task."""
        self._move(number, "words=?", (words,), (RUNNING,), RUNNING)

    def end(self, number: int, state: str, what: str = "", advice: str = "", made: str = "") -> None:
        """Say what became of a running task; of a cancelled one, what was not looked at is not."""
        sets = "words='', stopping=0, ended_at=?, what=?, advice=?, made=?"
        with self._change() as change:
            if self._move(number, sets, (now(), what, advice, made), (RUNNING,), state) and state == CANCELLED:
                change.execute(
                    "UPDATE photo SET state=? WHERE task=? AND state IN (?, ?)", (CANCELLED, number, WAITING, RUNNING)
                )

    def cancel(self, number: int) -> str:
        """Take a waiting task off, or ask a running one to stop; return the state it then has."""
        with self._change() as change:
            change.execute(
                f"UPDATE task SET changed={_NEXT}, stopping=1 WHERE id=? AND state=? AND stopping=0", (number, RUNNING)
            )
            row = change.execute(
                f"UPDATE task SET state=?, changed={_NEXT}, ended_at=?, words='' WHERE id=? AND state=? RETURNING id",
                (CANCELLED, now(), number, WAITING),
            ).fetchone()
            if row is not None:
                change.execute("UPDATE photo SET state=? WHERE task=? AND state=?", (CANCELLED, number, WAITING))
        return self.get(number).state

    def retry(self, number: int) -> bool:
        """Let what failed or was cancelled wait again, behind the others; False where there is nothing to do again."""
        again = (
            "turn=(SELECT max(turn) + 1 FROM task), attempts=0, ended_at=NULL, what='', advice='', stopping=0, "
            "done=(SELECT count(*) FROM photo WHERE task=? AND state=?)"
        )
        with self._change():
            if not self._move(number, again, (number, DONE), (FAILED, CANCELLED), WAITING):
                return False
            self._connection.execute(
                "UPDATE photo SET state=?, attempts=0, what='', advice='' WHERE task=? AND state<>?",
                (WAITING, number, DONE),
            )
        return True

    def begin_photo(self, task: int, number: int) -> int:
        """Say that a photo is being looked at; return how often that was begun, this time included."""
        self._photo(task, number, "state=?, attempts=attempts+1", RUNNING)
        return int(self._asked("SELECT attempts FROM photo WHERE task=? AND number=?", task, number)[0]["attempts"])

    def leave_photo(self, task: int, number: int) -> None:
        """Let a photo wait again that was broken off on purpose: it does not count as an attempt."""
        self._photo(task, number, "state=?, attempts=max(attempts - 1, 0)", WAITING)

    def prepare_photo(self, task: int, number: int, entry: int, document: str) -> None:
        """Note what an act is about to record, and as which journal entry, before it commits."""
        self._photo(task, number, "entry=?, document=?", entry, document)

    def end_photo(
        self, task: int, number: int, state: str, what: str = "", advice: str = "", *, document: str | None = None
    ) -> None:
        """Say what became of a photo; it counts as done in its task's progress whatever that is."""
        with self._change():
            # What an act prepared stays: the journal tells later whether it came about.
            sets = "state=?, what=?, advice=?, document=coalesce(?, document)"
            self._photo(task, number, sets, state, what, advice, document)
            ended = "SELECT count(*) FROM photo WHERE task=? AND state IN (?, ?)"
            self._move(task, f"done=({ended})", (task, DONE, FAILED), (RUNNING,), RUNNING)

    def _photo(self, task: int, number: int, sets: str, *values: object) -> None:
        with self._within() as change:
            change.execute(f"UPDATE photo SET {sets} WHERE task=? AND number=?", (*values, task, number))
            change.execute(f"UPDATE task SET changed={_NEXT} WHERE id=?", (task,))

    def _move(self, number: int, sets: str, values: tuple[object, ...], states: tuple[str, ...], to: str) -> bool:
        marks = ",".join("?" * len(states))
        query = f"UPDATE task SET state=?, changed={_NEXT}, {sets} WHERE id=? AND state IN ({marks})"
        with self._within() as change:
            return change.execute(query, (to, *values, number, *states)).rowcount > 0

    @contextmanager
    def _within(self) -> Iterator[sqlite3.Connection]:
        """Give the change under way, or one of its own."""
        with self._lock:
            if self._connection.in_transaction:
                yield self._connection
            else:
                with self._change() as change:
                    yield change

    def _with_photos(self, rest: str, *values: object) -> tuple[Task, ...]:
        with self._lock:
            rows = self._asked(f"SELECT * FROM task {rest}", *values)
            photos: dict[int, list[sqlite3.Row]] = {row["id"]: [] for row in rows}
            for start in range(0, len(rows), 500):  # a statement takes only so many values
                numbers = [row["id"] for row in rows[start : start + 500]]
                marks = ",".join("?" * len(numbers))
                for one in self._asked(f"SELECT * FROM photo WHERE task IN ({marks}) ORDER BY task, number", *numbers):
                    photos[one["task"]].append(one)
        try:
            return tuple(_task(row, photos[row["id"]]) for row in rows)
        except (ValueError, TypeError, RecursionError) as error:  # no JSON, or not what a task has
            raise _damaged(self.folder, str(error).partition("\n")[0][:120]) from None


def now() -> str:
    """Return this instant as the list writes it: UTC, RFC 3339."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _waits_already(change: sqlite3.Connection, wish: Wish, sha256: str) -> bool:
    query = (
        "SELECT 1 FROM photo JOIN task ON task.id=photo.task "
        "WHERE photo.sha256=? AND task.wish=? AND photo.state IN (?, ?)"
    )
    return change.execute(query, (sha256, _as_text(wish), WAITING, RUNNING)).fetchone() is not None


def _as_text(wish: Wish) -> str:
    return json.dumps(asdict(wish), sort_keys=True)


@cache
def _checked() -> "TypeAdapter[Task]":
    """Return what holds a row against its types: somebody may have edited the file, or a disk spoiled it."""
    from pydantic import TypeAdapter

    return TypeAdapter(Task)


def _task(row: sqlite3.Row, photos: Sequence[sqlite3.Row]) -> Task:
    own = ("id", "wish", "turn", "refused")
    plain = {key: row[key] for key in row.keys() if key not in own}  # noqa: SIM118
    wish, refused = json.loads(row["wish"]), json.loads(row["refused"])
    of_photos = [_of_a_photo(one) for one in photos]
    return _checked().validate_python(
        {**plain, "number": row["id"], "wish": wish, "refused": refused, "photos": of_photos}
    )


def _of_a_photo(row: sqlite3.Row) -> dict[str, Any]:
    plain = {key: row[key] for key in row.keys() if key not in ("task", "warnings")}  # noqa: SIM118
    return {**plain, "warnings": json.loads(row["warnings"])}


@contextmanager
def _explained(folder: Path) -> Iterator[None]:
    """Turn what SQLite or the system says into an error for a person."""
    try:
        yield
    except sqlite3.IntegrityError:
        raise  # a broken rule of the list is our own fault and must look like one
    except sqlite3.OperationalError as error:
        raise BadRequest(
            f"The work list in {folder} cannot be used just now ({error}).", "Nothing was changed. Try again."
        ) from error
    except sqlite3.DatabaseError as error:
        raise _damaged(folder, str(error)) from error
    except UnicodeDecodeError as error:  # what SQLite says of a spoiled file cites it
        raise _damaged(folder, "it is no text") from error
    except OSError as error:
        raise BadRequest(f"{folder} cannot be written ({error.strerror or error}).", "Check its permissions.") from None


def _damaged(folder: Path, said: str) -> Damaged:
    words = "".join(letter if letter.isprintable() else "?" for letter in said)
    return Damaged(
        f"The work list in {folder} is damaged ({words}).",
        f"The records are not touched by that. Move {folder / LIST} away; photos in {folder} can be sent again.",
    )
