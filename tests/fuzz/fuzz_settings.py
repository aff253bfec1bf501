"""A workspace's own files that somebody edited or a disk spoiled: workspace.toml, the work list, the records."""

import json
import shutil
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

from fuzz_choices import Choices

from tracker.desk import place
from tracker.desk.task import PhotoRow, Wish
from tracker.desk.task_rows import LIST, WORK, TaskRows
from tracker.desk.workspace import Workspace

MODULES = (
    "tracker.desk.place",
    "tracker.desk.task_rows",
    "tracker.desk.task",
    "tracker.desk.workspace",
    "tracker.evidence",
)
LAYERS = ("toml", "wish", "photo", "list", "records")
_folder = Path(tempfile.mkdtemp(prefix="fuzz-settings-"))
_LINES = (
    'created = "2031-04-02T09:15:00Z"',
    'evidence = "evidence"',
    'database = "sqlite:///x.sqlite"',
    "created = 1",
    "[created]",
    'evidence = "memory://x"',
    'evidence = "nowhere://x"',
    'evidence = ""',
    'database = "x"',
    'database = ""',
    "# a remark",
    'evidence = "\\u0000"',
    "created = 2031-04-02",
    "evidence = ['x']",
    'other = "x"',
    'evidence = """\nx"""',
)
_WISH = {"kind": "photograph", "subject": "L0001", "role": "top", "pieces": ["L0001-01"], "form": "", "without": [],
         "organization": ""}  # fmt: skip
_COLUMNS = (
    "id",
    "token",
    "wish",
    "operator",
    "state",
    "turn",
    "changed",
    "stopping",
    "done",
    "total",
    "words",
    "attempts",
    "asked_at",
    "began_at",
    "ended_at",
    "what",
    "advice",
    "made",
    "refused",
)
_OF_A_PHOTO = (
    "number",
    "name",
    "sha256",
    "size_bytes",
    "warnings",
    "state",
    "attempts",
    "what",
    "advice",
    "entry",
    "document",
)


def made(pick: Choices) -> bytes:
    """Return which file (a byte) and what stands in it."""
    layer = pick.one((0, 0, 0, 1, 1, 2, 2, 3, 4))
    name = LAYERS[layer]
    if name == "toml":
        text = "\n".join(pick.one(_LINES[: 3 if pick.often(50) else None]) for _ in range(pick.whole(0, 3)))
        data = (pick.spoiled(text) if pick.often(30) else text).encode("utf-8", "surrogatepass")
        data = pick.bent(data) if pick.often(5) else data
    elif name in ("wish", "photo"):
        column = (
            pick.one(_COLUMNS if name == "wish" else _OF_A_PHOTO)
            if pick.often(50)
            else ("wish", "warnings")[name == "photo"]
        )
        data = json.dumps([column, _cell(pick, column)]).encode()
    else:
        data = bytes(pick.whole(0, 255) for _ in range(6)) + pick.raw(24)
    return bytes([layer]) + data


def _cell(pick: Choices, column: str) -> object:
    if column in ("wish", "refused", "warnings", "document") and pick.often(85):
        value: object = {"wish": dict(_WISH), "refused": [{"name": "x", "what": "y", "advice": "z"}]}.get(
            column, ["soft"]
        )
        if isinstance(value, dict):
            key = pick.one(tuple(value))
            value = {**value, key: pick.one((None, 1, [], {}, "x", [1], [[]], pick.odd()))}
            if pick.often(20):
                value.pop(key)
            if pick.often(20):
                value["extra"] = 1
        elif pick.often(50):
            value = pick.one(([{}], [1], {}, "x", None, [{"name": 1}], [[]], [{"name": "x", "other": 1}]))
        text = json.dumps(value)
        return pick.spoiled(text).encode("utf-8", "replace").decode() if pick.often(20) else text
    return pick.one(
        (0, -1, 1, 2**62, 1.5, "", "x", "waiting", "running", "done", "2031-04-02T09:15:00.000Z", pick.text(), "\0")
    )


def one_case(data: bytes) -> str:
    """Open what has that in it; what was refused stands as it was."""
    name = LAYERS[data[0] % len(LAYERS)] if data else "toml"
    return READ[name](data[1:])


def _of_toml(data: bytes) -> str:
    folder = _folder / "place"
    folder.mkdir(exist_ok=True)
    (folder / place.SETTINGS).write_bytes(data)
    found = place.find(folder)
    assert found.folder == folder.absolute()
    assert all(one is None or isinstance(one, str) for one in (found.created, found.database, found.evidence))
    if found.created is None and not data.startswith(b"\xef\xbb\xbf"):
        place.mark_created(found)
        written = (folder / place.SETTINGS).read_bytes()
        assert written.endswith(data.replace(b"\r\n", b"\n")) or b"\r" in data
    if len(data) % 64 == 0:
        _opened(found)
    return "settings in order"


def _opened(found: place.Place) -> None:
    """Open the records of such a place, where they are none but its own."""
    if found.database or (found.evidence and "://" in found.evidence):
        return
    Workspace.open(found.folder, create=True).close()
    for one in found.folder.iterdir():
        if one.is_dir():
            shutil.rmtree(one)
        else:
            one.unlink()


def _task_list() -> Path:
    """Return a folder with a work list of one task with a photo, made anew from a kept one."""
    kept = _folder / "kept"
    if not kept.exists():
        kept.mkdir()
        rows = TaskRows(kept)
        rows.add(Wish("photograph", "L0001", "top"), "mira", "a" * 32, [PhotoRow(1, "a.png", "0" * 64, 10, ("soft",))])
        rows.close()
    folder = _folder / "listed"
    (folder / WORK).mkdir(parents=True, exist_ok=True)
    shutil.copyfile(kept / WORK / LIST, folder / WORK / LIST)
    return folder


def _of_row(table: str, data: bytes) -> str:
    try:
        column, value = json.loads(data)
    except ValueError:
        return "no row"
    folder = _task_list()
    if column not in (_COLUMNS if table == "task" else _OF_A_PHOTO):
        return "no such column"
    with closing(sqlite3.connect(folder / WORK / LIST)) as connection:
        try:
            connection.execute(f"UPDATE {table} SET {column}=?", (value,))
        except (sqlite3.Error, OverflowError, UnicodeError):
            return "the list itself refuses it"
        connection.commit()
    return _asked_of(folder)


def _asked_of(folder: Path) -> str:
    rows = TaskRows(folder)
    try:
        every = rows.every()
        rows.newest(5)
        rows.waiting()
        rows.running()
        rows.mark()
        for one in every[:3]:
            rows.cancel(one.number)
            rows.retry(one.number)
    finally:
        rows.close()
    return "a work list in order"


def _of_list(data: bytes) -> str:
    folder = _task_list()
    path = folder / WORK / LIST
    _spoil(path, data)
    return _asked_of(folder)


def _of_records(data: bytes) -> str:
    kept, folder = _folder / "recorded", _folder / "records"
    if not kept.exists():
        Workspace.open(kept, create=True).close()
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(kept, folder)
    _spoil(folder / place.RECORDS, data)
    from tracker.journal import head

    with Workspace.open(folder) as workspace, workspace.read() as session:
        head(session)
    return "records that open"


def _spoil(path: Path, data: bytes) -> None:
    """Write bytes at a place that the first four of them name, or cut the file there."""
    whole = bytearray(path.read_bytes())
    at = int.from_bytes(data[:4].ljust(4, b"\0")) % max(1, len(whole) if data[4:5] > b"\x80" else min(len(whole), 4200))
    if data[5:6] > b"\xf0":
        del whole[at:]
    else:
        whole[at : at + len(data[6:])] = data[6:]
    path.write_bytes(bytes(whole))


READ = {
    "toml": _of_toml,
    "wish": lambda data: _of_row("task", data),
    "photo": lambda data: _of_row("photo", data),
    "list": _of_list,
    "records": _of_records,
}


def close() -> None:
    """Remove what was written."""
    shutil.rmtree(_folder, ignore_errors=True)
