"""What another workshop's bag says, believed only as far as it agrees with itself.

The files are whole by now (`tracker.dossier.bag.check`). Here the records are read through models made from our tables,
every row is held against the journal entry that is said to have written it, every entry against its hash, every file
against the rows that name it, and the provenance must name the lot and its pieces.
"""

from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from pydantic import ValidationError
from pydantic_core import from_json

from tracker.desk.arrival import MOST_PIECES
from tracker.desk.bag_chain import wrong_entry, wrong_rows, wrong_signature
from tracker.desk.bag_rows import check_references
from tracker.desk.contract import PieceDocument
from tracker.desk.export_gather import Rows, files_in
from tracker.dossier import provenance
from tracker.dossier.bag import names
from tracker.dossier.bag import records as said
from tracker.dossier.bag.check import Bag, check
from tracker.dossier.bag.records import EntrySaid, Records
from tracker.dossier.bag.source import (
    Listed,
    Progress,
    damaged,
    list_folder,
    read_limited,
    refused,
    shown,
    unpack,
    unreadable,
)
from tracker.errors import BadRequest
from tracker.records.schema import HEAD

Say = Callable[[str], None]
MOST_VALUES = 6_000_000
MOST_TOLD = 1_000_000
"""Commas and opening brackets in the records and in the provenance: each may become a hundred bytes of memory. Our own
bounds."""
_A_SECOND = 200_000_000
"""Bytes; about what is hashed twice in a second or two (measured on two slow cores)."""
OWN_FILES = {
    names.RECORDS,
    names.JOURNAL,
    names.PROVENANCE,
    *(f"data/{name}" for name in ("inspections.json", "runs.json", "README.txt")),
    *(f"data/tables/{name}.csv" for name in ("pieces", "readings", "runs", "samples")),
}
"""Payload that is not a file of the lot itself."""


@dataclass(frozen=True, slots=True)
class Foreign:
    """Another workshop's lot. `tables` are its rows with plain JSON values, `typed` the same with dates as dates."""

    bag: Bag
    records: Records
    tables: Rows
    typed: dict[str, list[dict[str, Any]]]
    entries: tuple[EntrySaid, ...]
    workshop: str | None


@contextmanager
def opened(path: Path, progress: Progress | None = None, say: Say | None = None) -> Iterator[Foreign]:
    """Give what a bag says, from a folder or a ZIP file; nothing is changed, and nothing stays unpacked.

    Raises
    ------
    BadRequest
        When there is none, or it is refused: with the first reason found.
    Damaged
        When it is not what it was when it was made.
    """
    with ExitStack() as stack:
        try:
            foreign = _open(path, stack, progress, say)
        except OSError as error:
            raise unreadable(error) from None
        yield foreign


def _open(path: Path, stack: ExitStack, progress: Progress | None, say: Say | None) -> Foreign:
    if path.is_dir():
        return understand(_checked(path, list_folder(path), say))
    if not path.is_file():
        raise BadRequest(f"There is no bag {path}.", "Name the folder that holds bagit.txt, or a ZIP file of it.")
    with path.open("rb") as file:
        if not file.read(4).startswith(b"PK"):
            raise BadRequest(f"{path} is neither the folder of a bag nor a ZIP file.", "Name one of these.")
    folder = stack.enter_context(TemporaryDirectory(prefix="lotproof-bag-"))
    base, files = unpack(path, Path(folder), progress)
    return understand(_checked(base, files, say))


def _checked(folder: Path, files: tuple[Listed, ...], say: Say | None) -> Bag:
    size = sum(one.size_bytes for one in files)
    if say is not None and size > _A_SECOND:
        say(f"Checking every byte of {len(files)} files ({size / 1e6:,.0f} MB) ...")
    return check(folder, files)


def understand(bag: Bag) -> Foreign:
    """Return what a whole bag says.

    Raises
    ------
    BadRequest
        When its records are none of ours, or a newer Lotproof wrote it.
    Damaged
        When its parts contradict each other: something was changed after it was written.
    """
    for path in (names.RECORDS, names.JOURNAL, names.PROVENANCE):
        if path not in bag.payload:
            raise refused(f"it has no {path}", "It is a bag, but none of a lot; `lotproof export bag` makes those.")
    records = _records(read_limited(bag.folder / names.RECORDS, said.LARGEST_RECORDS))
    entries = _entries(read_limited(bag.folder / names.JOURNAL, said.LARGEST_JOURNAL), records)
    typed = _typed(records)
    check_references(records, typed)
    if len(typed["piece"]) > MOST_PIECES:
        raise refused(f"it has more than {MOST_PIECES} pieces")
    wrong = wrong_rows(records.tables, entries)
    if wrong:
        raise damaged(wrong)
    _check_files(bag, records, entries)
    _check_contents(typed)
    _check_provenance(read_limited(bag.folder / names.PROVENANCE, said.LARGEST_PROVENANCE), records)
    return Foreign(bag, records, records.tables, typed, entries, bag.info.get("Source-Organization"))


def _bound(data: bytes, name: str, most: int) -> None:
    """Refuse a JSON document that would fill the memory, before it is read."""
    if data.count(b",") + data.count(b"[") + data.count(b"{") > most:
        raise refused(f"{name} holds more than {most:,} values")


def _said(error: Exception) -> str:
    return "".join(letter if letter.isprintable() else "?" for letter in str(error))[:160]


def _records(data: bytes) -> Records:
    _bound(data, names.RECORDS, MOST_VALUES)
    try:
        told = said.Versions.model_validate_json(data)
    except ValidationError as error:
        raise refused(f"{names.RECORDS} is not as it must be ({said.faults(error)})") from None
    newer = (told.schema_ or "").startswith("lotproof.bag/") and told.schema_ != said.SCHEMA
    if newer or (told.records or "") > HEAD:
        word = shown(str(told.schema_ if newer else told.records))
        raise refused(f"a newer Lotproof wrote it ({word})", "Update Lotproof: pip install --upgrade lotproof.")
    try:
        records = Records.model_validate_json(data)
    except ValidationError as error:
        raise refused(f"{names.RECORDS} is not as it must be ({said.faults(error)})") from None
    for table in sorted({*records.tables, *said.REQUIRED}):
        if table not in records.tables or table not in said.TABLES:
            raise refused(
                f"{names.RECORDS} has {'an unknown' if table in records.tables else 'no'} table {shown(table)}"
            )
    return records


def _entries(data: bytes, records: Records) -> tuple[EntrySaid, ...]:
    """Return the journal entries, each held against its hash, its neighbour and the head."""
    _bound(data, names.JOURNAL, MOST_VALUES)
    entries: list[EntrySaid] = []
    for number, line in enumerate(data.splitlines(), start=1):
        try:
            entry = EntrySaid.model_validate_json(line)
        except ValidationError as error:
            raise refused(f"line {number} of {names.JOURNAL} is not as it must be ({said.faults(error)})") from None
        wrong = wrong_entry(entries[-1] if entries else None, entry)
        if wrong:
            raise damaged(wrong)
        entries.append(entry)
    wrong = wrong_signature(entries, records.keys)
    if wrong:
        raise damaged(wrong)
    last = entries[-1] if entries else None
    head = records.head
    if last is None or last.id > head.entry or (last.id == head.entry and last.hash != head.hash):
        raise damaged("the journal does not end at the head that the records name")
    if entries[0].id == 1 and entries[0].hash != records.workshop_id:
        raise damaged("the journal does not begin as the records say")
    return tuple(entries)


def _typed(records: Records) -> dict[str, list[dict[str, Any]]]:
    typed = {}
    for table in said.TABLES:
        try:
            typed[table] = said.rows_checked(table, list(records.tables.get(table, ())))
        except ValidationError as error:
            raise refused(f"the rows of {table} are not as they must be ({said.faults(error)})") from None
    return typed


def _check_files(bag: Bag, records: Records, entries: tuple[EntrySaid, ...]) -> None:
    """Hold the files that the records name against the manifest, both ways, and against the entries that kept them."""
    paths = Counter(one.path for one in records.files)
    for one in records.files:
        if bag.payload.get(one.path) != one.sha256 or bag.sizes.get(one.path) != one.size_bytes or paths[one.path] > 1:
            raise damaged(f"the records and the manifest contradict each other about {shown(one.path)}")
    for path in sorted(bag.payload.keys() - paths.keys() - OWN_FILES):
        raise damaged(f"{shown(path)} is in the manifest, and the records know nothing of it")
    there = {one.sha256: one.size_bytes for one in records.files}
    kept = {entry.id: set(files_in(entry.body)) for entry in entries}
    for table, column in (("photo", "sha256"), ("document", "sha256"), ("inspection", "overlay_sha256")):
        for row in records.tables[table]:
            sha256 = row[column]
            if sha256 is None:
                continue
            if sha256 not in there or row.get("size_bytes", there[sha256]) != there[sha256]:
                raise damaged(f"a {table} is missing, or its size is another ({sha256[:16]}...)")
            if sha256 not in kept[row["entry_id"]]:
                raise damaged(f"journal entry {row['entry_id']} did not keep the file of its {table}")


def _check_contents(typed: dict[str, list[dict[str, Any]]]) -> None:
    """Read what rows hold as JSON in a text."""
    for row in typed["inspection"]:
        try:
            PieceDocument.model_validate_json(row["document"])
        except ValidationError as error:
            raise refused(f"inspection {row['id']} is not as it must be ({said.faults(error)})") from None
    for row in typed["bench_run"]:
        try:
            result = from_json(row["result"], allow_inf_nan=False)
        except ValueError:
            result = None
        if not isinstance(result, dict):
            raise refused(f"the result of bench run {shown(row['label'])} is no JSON object")


def _check_provenance(data: bytes, records: Records) -> None:
    fault = f"{names.PROVENANCE} is no PROV-JSON"
    _bound(data, names.PROVENANCE, MOST_TOLD)
    try:
        told = provenance.names_in(from_json(data, allow_inf_nan=False))
    except ValueError as error:
        raise refused(f"{fault} ({_said(error)})") from None
    urn = provenance.workshop_urn(records.workshop_id)
    for label in (records.lot, *(row["label"] for row in records.tables["piece"])):
        if f"{urn}{label}" not in told:
            raise refused(f"{names.PROVENANCE} tells nothing of {label}")
