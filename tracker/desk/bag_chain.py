"""Whether journal entries and rows belong together, by the recipe in `tracker.journal`; what goes out is asked, too."""

from collections.abc import Mapping, Sequence
from typing import Any

from tracker import journal, journal_check
from tracker.canonical import canonical
from tracker.desk.export_gather import Rows, parsed
from tracker.dossier.bag.records import EntrySaid
from tracker.errors import BadRequest


def wrong_entry(before: EntrySaid | None, entry: EntrySaid) -> str | None:
    """Return what is wrong with an entry beside the one before it among those that are here, or None."""
    try:
        right = journal.entry_hash(**entry.model_dump(exclude={"hash", "signing_key", "signature"}))
    except BadRequest:
        right = ""
    if right != entry.hash:
        return f"journal entry {entry.id} was changed after it was written"
    if entry.id == 1 and entry.previous_hash != journal.FIRST_PREVIOUS:
        return "journal entry 1 follows another one"
    if before is None:
        return None
    if entry.id <= before.id:
        return f"journal entry {entry.id} is not in its place"
    if entry.id == before.id + 1 and entry.previous_hash != before.hash:
        return f"journal entry {entry.id} does not follow from the one before it"
    return None


def wrong_signature(entries: Sequence[EntrySaid], keys: Mapping[str, str]) -> str | None:
    """Return which entry is not signed as it should be, or None; entries from before signing have no signature."""
    check = journal_check.SignatureCheck(keys)
    for entry in entries:
        broken = check.broken(entry)
        if broken is None:
            continue
        if broken.code == "not-signed":
            since = min(key.since for key in check.keys.values())
            return f"journal entry {entry.id} is not signed, and entry {since} is"
        if broken.code == "key-unknown":
            return f"the key that signed journal entry {entry.id} is not there"
        return f"the signature of journal entry {entry.id} does not fit it"
    return None


def wrong_rows(tables: Rows, entries: Sequence[EntrySaid]) -> str | None:
    """Return which rows are not those that their journal entry wrote, or None.

    Where all rows that an entry wrote into a table are here, the whole digest is held against them; else the short
    mark of each, since an entry may have written rows of other lots, too.
    """
    wrote = {entry.id: parsed(entry.body).get("rows") for entry in entries}
    for table, rows in tables.items():
        by_entry: dict[int, dict[int, str]] = {}
        for row in sorted(rows, key=lambda one: int(one["id"])):
            by_entry.setdefault(row["entry_id"], {})[row["id"]] = _text(row)
        for entry_id, texts in by_entry.items():
            of_entry = wrote.get(entry_id)
            of_table = of_entry.get(table) if isinstance(of_entry, dict) else None
            if not isinstance(of_table, dict) or not _agree(texts, of_table):
                return f"the {table.replace('_', ' ')} rows of journal entry {entry_id} are not those that it wrote"
    return None


def _text(row: Mapping[str, Any]) -> str:
    try:
        return canonical(dict(row))
    except BadRequest:
        return "unreadable"  # it equals nothing that was written


def _agree(texts: dict[int, str], of_table: dict[str, Any]) -> bool:
    marks = of_table.get("each")
    if not isinstance(marks, dict):
        return False
    if len(texts) == of_table.get("count"):
        return journal.rows_said(texts) == of_table
    return all(marks.get(str(number)) == journal.row_mark(text) for number, text in texts.items())
