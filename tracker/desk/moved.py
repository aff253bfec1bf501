"""What the journal says of moves: whether this place is closed, and where the workspace lay before."""

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker import journal
from tracker.errors import BadRequest
from tracker.records.models import JournalEntry

MOVE_OUT, MOVE_IN, REOPEN = "move-out", "move-in", "reopen"
"""What the journal says when a workspace is closed because it goes elsewhere, begins there, or goes on after all."""


def closed_by(session: Session) -> dict[str, str] | None:
    """Return where a workspace went (`folder`, `records`, `evidence`), or None where it is here."""
    newest = select(JournalEntry.act, JournalEntry.id).order_by(JournalEntry.id.desc()).limit(1)
    found = session.execute(newest).first()
    if found is None or found.act != MOVE_OUT:
        return None
    entry = session.get(JournalEntry, found.id)
    to = journal.body_of(entry).get("to") if entry is not None else None
    said = to if isinstance(to, dict) else {}
    return {name: str(said.get(name, "")) for name in ("folder", "records", "evidence")}


def refuse_if_closed(session: Session) -> None:
    """Refuse to write in a workspace that has moved.

    Raises
    ------
    BadRequest
        It names the new place.
    """
    refused = refusal(session)
    if refused is not None:
        raise refused


def refusal(session: Session) -> BadRequest | None:
    """Return what is said to who would write in a workspace that has moved; None where it is here."""
    to = closed_by(session)
    if to is None:
        return None
    return BadRequest(
        f"This workspace has moved to {to['folder']} (records in {to['records']}, evidence in {to['evidence']}); "
        "nothing is recorded here any more.",
        f"Use --workspace {to['folder']}, or `lotproof workspace reopen` to go on here after all.",
    )


def came_from(session: Session) -> dict[str, int]:
    """Return the addresses at which the records lay before, each with the newest entry that came from there."""
    found = {}
    for entry in session.scalars(select(JournalEntry).where(JournalEntry.act == MOVE_IN).order_by(JournalEntry.id)):
        said = journal.body_of(entry).get("from")
        if isinstance(said, dict) and isinstance(said.get("records"), str):
            found[said["records"]] = entry.id - 1
    return found
