"""Whether the rows in a bag belong together: each names only rows that are there, and all are about one lot."""

import re
from collections.abc import Iterable, Iterator
from typing import Any

from tracker.desk.pieces import piece_label
from tracker.dossier.bag import records as said
from tracker.dossier.bag.records import Records
from tracker.dossier.bag.source import refused, shown

_LABELS = (("lot", r"L[0-9]{4,9}"), ("bench_run", r"B[0-9]{4,9}"), ("machine", r"M[0-9]{4,9}"))
_SHA256 = re.compile(r"[0-9a-f]{64}")
Typed = dict[str, list[dict[str, Any]]]


def check_references(records: Records, typed: Typed) -> None:
    """Check that the rows are those of one lot.

    Raises
    ------
    BadRequest
        Naming the first row that is not.
    """
    ids = {table: _unique(table, (row["id"] for row in rows)) for table, rows in typed.items()}
    for table, column, other in _references():
        for row in typed[table]:
            if row[column] not in ids[other] and not (row[column] is None and said.table(table).c[column].nullable):
                word = table.replace("_", " ")
                raise refused(f"the {word} row {row['id']} belongs to a {other.replace('_', ' ')} that is not there")
    for table, pattern in _LABELS:
        for row in typed[table]:
            if not re.fullmatch(pattern, row["label"]):
                raise refused(f"{shown(row['label'])} is no label")
    for table, column in (("photo", "sha256"), ("document", "sha256"), ("inspection", "overlay_sha256")):
        for row in typed[table]:
            if row[column] is not None and not _SHA256.fullmatch(row[column]):
                raise refused(f"{shown(row[column])} is no SHA-256")
    if any(row["piece_id"] is None for row in typed["bench_run"]):
        raise refused("a bench run is of no piece")
    _check_lot(records, typed)


def _references() -> Iterator[tuple[str, str, str]]:
    """Yield every column that names a row of another table in the bag, and that table."""
    for name in said.TABLES:
        for column in said.table(name).columns:
            for key in column.foreign_keys:
                if key.column.table.name in said.TABLES:
                    yield name, column.name, key.column.table.name


def _unique(table: str, numbers: Iterable[int]) -> set[int]:
    seen: set[int] = set()
    for number in numbers:
        if number in seen:
            raise refused(f"the {table.replace('_', ' ')} row {number} is there twice")
        seen.add(number)
    return seen


def _check_lot(records: Records, typed: Typed) -> None:
    if len(typed["lot"]) != 1 or len(typed["seller"]) != 1 or typed["lot"][0]["label"] != records.lot:
        raise refused(f"the records are not those of the one lot {records.lot}")
    if len(typed["lot_origin"]) > 1:
        raise refused("the lot has two origins")
    lot, pieces = typed["lot"][0], sorted(typed["piece"], key=lambda row: int(row["number"]))
    if [row["number"] for row in pieces] != list(range(1, lot["quantity_received"] + 1)):
        raise refused(f"lot {records.lot} has not the pieces it was received with")
    for row in pieces:
        if row["label"] != piece_label(records.lot, row["number"]):
            raise refused(f"{shown(row['label'])} is not the label of piece {row['number']}")
