"""Breaking a process at every point where it writes: killed, out of room, or without power.

A case is carried out in a forked child, so that nothing is imported anew and one costs some tens of milliseconds. In
the child the calls that change a disk are counted where they concern the folder under test: files opened for writing
or made, synced, renamed, linked, removed; folders made and removed; commits. At a chosen one the child

- is killed (SIGKILL), before or after it (`Kill`), or
- is told by the system that it cannot be (`Refuse`), there and at every later one, as on a full disk.

The product knows nothing of this: functions of `os`, `open` and the drivers' commits are wrapped, in the child only.

Power loss is simulated after a kill (`lose_power`): what the child did to names and contents since the last sync of
the folder or file is undone. What SQLite writes is not undone: its own promise stands.
"""

# What is wrapped here is `os` and `open` themselves.
# ruff: noqa: PTH104, PTH109, PTH112, PTH113, PTH115, PTH118, PTH120, SIM115
import builtins
import errno
import faulthandler
import io
import json
import os
import re
import shutil
import signal
import sqlite3
import sys
import tempfile
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, NoReturn

import pytest

Kind = Literal["open", "fsync", "rename", "link", "unlink", "mkdir", "rmdir", "commit"]
NEEDS_ROOM: tuple[Kind, ...] = ("open", "fsync", "mkdir", "commit")
"""What a full disk refuses; names can still be changed and files removed."""
UNEXPECTED = 99
PATIENCE_S = 30
"""A child that hangs is ended by its alarm; a case takes far less than a second."""
can_break = pytest.mark.skipif(not os.path.isdir("/proc/self/fd"), reason="needs fork and /proc")


@dataclass(frozen=True, slots=True)
class Point:
    """One call that changes the disk; `name` is what it concerns, relative to the folder under test."""

    kind: Kind
    name: str

    def __str__(self) -> str:
        return f"{self.kind} {self.name}"


@dataclass(frozen=True, slots=True)
class Kill:
    """Die at the n-th point (from 1), or the n-th of a kind, before or after it was carried out."""

    at: int
    after: bool = False
    of: Kind | None = None
    by: int = signal.SIGKILL


@dataclass(frozen=True, slots=True)
class Refuse:
    """Let the n-th point and all later ones of these kinds fail with an error number."""

    at: int
    number: int = errno.ENOSPC
    kinds: tuple[Kind, ...] = NEEDS_ROOM


Strike = Kill | Refuse | None


@dataclass(frozen=True, slots=True)
class Ran:
    """What became of a child: its exit code (negative: the signal), what it printed, and the points it passed."""

    code: int
    out: str
    err: str
    points: tuple[Point, ...]
    done: tuple[dict[str, Any], ...]
    """What it did to names and contents, for `lose_power`."""
    spare: Path | None

    @property
    def killed(self) -> bool:
        """Whether it was killed."""
        return self.code == -signal.SIGKILL


def broken(work: Callable[[], int | None], folder: Path, strike: Strike = None, *, spare: Path | None = None) -> Ran:
    """Carry out `work` in a child and return what became of it.

    Parameters
    ----------
    work : callable
        Gives an exit code, or None for 0; prints what it acknowledges.
    folder : Path
        Only what lies below it is counted.
    strike : Kill, Refuse or None
        None: nothing happens, the points are counted.
    spare : Path, optional
        A folder on the same disk, not below `folder`, for what `lose_power` brings back.
    """
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err, tempfile.TemporaryFile() as told:
        child = os.fork()
        if child == 0:
            signal.alarm(PATIENCE_S)  # a child must not outlive its test
            signal.signal(signal.SIGINT, signal.default_int_handler)  # a run in the background ignores it
            _be_the_child(work, folder, strike, spare, (out.fileno(), err.fileno(), told.fileno()))
        _, status = os.waitpid(child, 0)
        said = [json.loads(line) for line in _whole(told).splitlines()]
        points = tuple(Point(one["kind"], one["name"]) for one in said if "kind" in one)
        done = tuple(one for one in said if "did" in one)
        ran = Ran(os.waitstatus_to_exitcode(status), _whole(out), _whole(err), points, done, spare)
    assert ran.code not in (UNEXPECTED, -signal.SIGALRM), ran.err
    return ran


ALIKE = 3
"""Of many files that are written alike into one folder (a bag's), so many are broken at, and the last."""


def strikes(points: tuple[Point, ...]) -> Iterator[Kill]:
    """Yield every kill that leaves another disk: before each point, after each file was opened, and after the last.

    Between two points nothing but the contents of open files changes, so after one is as before the next.
    """
    alike: dict[tuple[str, str], int] = {}
    for number, point in enumerate(points, start=1):
        place = (point.kind, _SHARD.sub("/??", point.name.rpartition("/")[0]))
        alike[place] = alike.get(place, 0) + 1
        if alike[place] > ALIKE and number < len(points) and point.kind != "commit":
            continue
        yield Kill(number)
        if point.kind == "open" or number == len(points):
            yield Kill(number, after=True)


def one_of_each_kind(points: tuple[Point, ...]) -> Iterator[Kill]:
    """Yield a few of them: before the last point of each kind, and after the last commit."""
    last = {point.kind: number for number, point in enumerate(points, start=1)}
    yield from (Kill(number) for number in sorted(last.values()))
    if "commit" in last:
        yield Kill(last["commit"], after=True)


def lose_power(ran: Ran, *, names: bool = True) -> None:
    """Undo what the child did and did not sync.

    Parameters
    ----------
    names : bool
        False: a file system that keeps the order of names and loses contents only, as many do.
    """
    synced_at: dict[str, int] = {}
    sizes: dict[int, int] = {}
    for number, one in enumerate(ran.done):
        if one["did"] == "sync folder":
            synced_at[one["path"]] = number
        elif one["did"] in ("opened", "sync file"):
            sizes[one["inode"]] = one["size"]
    for number, one in reversed(list(enumerate(ran.done))) if names else ():
        if synced_at.get(one.get("in", ""), -1) < number:
            _UNDO.get(one["did"], lambda _: None)(one)
    for folder in {Path(one["root"]) for one in ran.done}:
        for path in folder.rglob("*"):
            if path.is_file() and (size := sizes.get(path.stat().st_ino)) is not None and path.stat().st_size > size:
                path.chmod(0o600)
                os.truncate(path, size)


def _undo_made(one: dict[str, Any]) -> None:
    Path(one["path"]).unlink(missing_ok=True)


def _undo_made_folder(one: dict[str, Any]) -> None:
    shutil.rmtree(one["path"], ignore_errors=True)


def _undo_removed(one: dict[str, Any]) -> None:
    if one["saved"] and Path(one["path"]).parent.is_dir():
        os.link(one["saved"], one["path"])


def _undo_removed_folder(one: dict[str, Any]) -> None:
    with suppress(OSError):
        Path(one["path"]).mkdir()


def _undo_renamed(one: dict[str, Any]) -> None:
    if os.path.lexists(one["path"]):
        os.rename(one["path"], one["from"])
    if one["saved"]:
        os.link(one["saved"], one["path"])


_UNDO: dict[str, Callable[[dict[str, Any]], None]] = {
    "made": _undo_made,
    "made folder": _undo_made_folder,
    "removed": _undo_removed,
    "removed folder": _undo_removed_folder,
    "renamed": _undo_renamed,
}


def _whole(file: Any) -> str:
    file.seek(0)
    return str(file.read().decode("utf-8", "replace"))


def _be_the_child(
    work: Callable[[], int | None], folder: Path, strike: Strike, spare: Path | None, ends: tuple[int, int, int]
) -> NoReturn:
    code = UNEXPECTED
    try:
        out, err, told = ends
        os.dup2(out, 1)
        os.dup2(err, 2)
        sys.stdout = open(1, "w", encoding="utf-8", closefd=False)
        sys.stderr = open(2, "w", encoding="utf-8", closefd=False)
        faulthandler.dump_traceback_later(PATIENCE_S - 1, file=sys.stderr)
        _Watch(folder, strike, spare, told).put_up()
        code = work() or 0
    except SystemExit as stopped:
        code = stopped.code if isinstance(stopped.code, int) else 0
    except BaseException:
        traceback.print_exc()
    finally:
        with suppress(OSError):
            sys.stdout.flush()
            sys.stderr.flush()
        os._exit(code)


_WRITES = os.O_WRONLY | os.O_RDWR | os.O_CREAT
_SHARD = re.compile(r"/[0-9a-f]{2}(?=/|$)")
_RANDOM = re.compile(r"(?<![0-9a-f])[0-9a-f]{8,}(?![0-9a-z])")


class _Watch:
    """Wraps the calls of this process; there is no way back."""

    def __init__(self, folder: Path, strike: Strike, spare: Path | None, told: int) -> None:
        self.root = str(folder.resolve())
        self.strike, self.spare, self.told = strike, spare, told
        self.count = self.saved = self.of_kind = 0
        self.real = {name: getattr(os, name) for name in ("fsync", "link", "open", "stat", "unlink", "write")}
        self.real_open = io.open

    def put_up(self) -> None:
        """Wrap them all."""
        from sqlalchemy.engine.default import DefaultDialect

        for name in ("replace", "rename"):
            setattr(os, name, self._renaming(getattr(os, name)))
        for name in ("unlink", "remove"):
            setattr(os, name, self._naming(getattr(os, name), "unlink", "removed"))
        for name, kind, did in (("mkdir", "mkdir", "made folder"), ("rmdir", "rmdir", "removed folder")):
            setattr(os, name, self._naming(getattr(os, name), kind, did))  # type: ignore[arg-type]
        for name in ("link", "symlink"):
            setattr(os, name, self._linking(getattr(os, name)))
        os.fsync = self._syncing(os.fsync)
        os.open = self._os_opening(os.open)  # type: ignore[assignment]
        io.open = builtins.open = self._opening(io.open)  # type: ignore[assignment]
        DefaultDialect.do_commit = self._committing(DefaultDialect.do_commit)  # type: ignore[method-assign]
        self._wrap_sqlite()

    def _committing(self, call: Callable[[Any, Any], None]) -> Callable[[Any, Any], None]:
        def wrapped(dialect: Any, given: Any) -> None:
            if dialect.name == "sqlite" and given.execute("PRAGMA query_only").fetchone()[0]:
                return call(dialect, given)  # it only read
            if dialect.name == "postgresql" and given.execute("SHOW transaction_read_only").fetchone()[0] == "on":
                return call(dialect, given)
            return self._at("commit", "records", lambda: call(dialect, given))

        return wrapped

    def _wrap_sqlite(self) -> None:
        """The work list commits by itself."""
        at, connect = self._at, sqlite3.connect

        class Watched(sqlite3.Connection):
            def execute(self, sql: str, *values: Any) -> sqlite3.Cursor:
                inner = super().execute
                return at("commit", "list", lambda: inner(sql, *values)) if sql == "COMMIT" else inner(sql, *values)

        sqlite3.connect = lambda *words, **more: connect(*words, **{"factory": Watched, **more})  # type: ignore

    def _at(self, kind: Kind, name: str, call: Callable[[], Any], note: Callable[[Any], Any] | None = None) -> Any:
        self.count += 1
        here, strike = self.count, self.strike
        self._tell({"kind": kind, "name": name})
        if isinstance(strike, Kill) and strike.of is not None:
            self.of_kind += kind == strike.of
            here = self.of_kind if kind == strike.of else -1
        if isinstance(strike, Kill) and (here, False) == (strike.at, strike.after):
            os.kill(os.getpid(), strike.by)
        if isinstance(strike, Refuse) and here >= strike.at and kind in strike.kinds:
            if kind == "commit":
                raise sqlite3.OperationalError("database or disk is full")
            raise OSError(strike.number, os.strerror(strike.number), name)
        answer = call()
        if note is not None:
            note(answer)
        if isinstance(strike, Kill) and (here, True) == (strike.at, strike.after):
            os.kill(os.getpid(), strike.by)
        return answer

    def _tell(self, value: dict[str, Any]) -> None:
        self.real["write"](self.told, f"{json.dumps({**value, 'root': self.root})}\n".encode())

    def _did(self, did: str, path: str, **more: Any) -> None:
        if self.spare is not None:
            self._tell({"did": did, "path": path, "in": os.path.dirname(path), **more})

    def _where(self, path: Any, dir_fd: int | None = None) -> str | None:
        """Return where a path or a descriptor lies, None if that is no concern of ours."""
        if isinstance(path, int):
            place = os.readlink(f"/proc/self/fd/{path}")
        else:
            base = os.getcwd() if dir_fd is None else os.readlink(f"/proc/self/fd/{dir_fd}")
            place = os.path.normpath(os.path.join(base, os.fsdecode(path)))
        return place if place == self.root or place.startswith(f"{self.root}/") else None

    def _name(self, place: str) -> str:
        return _RANDOM.sub("*", os.path.relpath(place, self.root))

    def _save(self, place: str) -> str | None:
        """Keep what lies at a place, so that it can be brought back."""
        if self.spare is None or not os.path.isfile(place):
            return None
        self.saved += 1
        kept = f"{self.spare}/{os.getpid()}-{self.saved}"
        self.real["link"](place, kept)
        return kept

    def _renaming(self, call: Callable[..., None]) -> Callable[..., None]:
        def wrapped(source: Any, target: Any, **more: Any) -> None:
            place, of = self._where(target), self._where(source)
            if place is None or of is None:
                return call(source, target, **more)
            saved = self._save(place)

            def note(_: object) -> None:
                self._did("renamed", place, saved=saved, **{"from": of})

            return self._at("rename", self._name(place), lambda: call(source, target, **more), note)

        return wrapped

    def _naming(self, call: Callable[..., None], kind: Kind, did: str) -> Callable[..., None]:
        def wrapped(path: Any, *words: Any, dir_fd: int | None = None) -> None:
            place = self._where(path, dir_fd)
            more = {} if dir_fd is None else {"dir_fd": dir_fd}
            if place is None or (kind == "mkdir") == os.path.lexists(place):  # it is going to fail by itself
                return call(path, *words, **more)
            saved = self._save(place) if did == "removed" else None

            def note(_: object) -> None:
                self._did(did, place, saved=saved)

            return self._at(kind, self._name(place), lambda: call(path, *words, **more), note)

        return wrapped

    def _linking(self, call: Callable[..., None]) -> Callable[..., None]:
        def wrapped(source: Any, target: Any, **more: Any) -> None:
            place = self._where(target)
            if place is None:
                return call(source, target, **more)
            return self._at(
                "link", self._name(place), lambda: call(source, target, **more), lambda _: self._did("made", place)
            )

        return wrapped

    def _syncing(self, call: Callable[[Any], None]) -> Callable[[Any], None]:
        def wrapped(given: Any) -> None:
            number = given if isinstance(given, int) else given.fileno()
            place = self._where(number)
            if place is None:
                return call(number)

            def note(_: object) -> None:
                if os.path.isdir(place):
                    self._did("sync folder", place)
                else:
                    there = os.fstat(number)
                    self._did("sync file", place, inode=there.st_ino, size=there.st_size)

            return self._at("fsync", self._name(place), lambda: call(number), note)

        return wrapped

    def _opened(self, place: str, before: int | None, number: int) -> None:
        there = os.fstat(number)
        if before is None:
            self._did("made", place)
        self._did("opened", place, inode=there.st_ino, size=min(before or 0, there.st_size))

    def _opening(self, call: Callable[..., Any]) -> Callable[..., Any]:
        def wrapped(file: Any, mode: str = "r", *words: Any, **more: Any) -> Any:
            place = None if isinstance(file, int) or not set(mode) & set("wxa+") else self._where(file)
            if place is None:
                return call(file, mode, *words, **more)
            before = self._size(place)
            return self._at(
                "open",
                self._name(place),
                lambda: call(file, mode, *words, **more),
                lambda opened: self._opened(place, before, opened.fileno()),
            )

        return wrapped

    def _os_opening(self, call: Callable[..., int]) -> Callable[..., int]:
        def wrapped(path: Any, flags: int, *words: Any, **more: Any) -> int:
            place = self._where(path, more.get("dir_fd")) if flags & _WRITES else None
            if place is None:
                return call(path, flags, *words, **more)
            before = self._size(place)
            return int(
                self._at(
                    "open",
                    self._name(place),
                    lambda: call(path, flags, *words, **more),
                    lambda number: self._opened(place, before, number),
                )
            )

        return wrapped

    def _size(self, place: str) -> int | None:
        try:
            return int(self.real["stat"](place).st_size)
        except OSError:
            return None


@contextmanager
def in_copy(template: Path, to: Path) -> Iterator[Path]:
    """Give a copy of a folder for one case, gone afterwards."""
    shutil.copytree(template, to, symlinks=True)
    try:
        yield to
    finally:
        shutil.rmtree(to, ignore_errors=True)
