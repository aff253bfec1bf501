"""The documents that came with a lot, as they came."""

from sqlalchemy import select

from tracker.desk.pieces import find_lot
from tracker.desk.workspace import Workspace
from tracker.errors import NoSuch
from tracker.records.models import Document


def document(workspace: Workspace, lot: str, sha256: str) -> tuple[str, bytes]:
    """Return the name and the bytes of a document of a lot, checked.

    Raises
    ------
    NoSuch
        There is no such lot, or it has no such document.
    Damaged
        The file is missing or has changed.
    """
    with workspace.read() as session:
        found = session.scalars(
            select(Document).where(Document.lot_id == find_lot(session, lot).id, Document.sha256 == sha256).limit(1)
        ).first()
    if found is None:
        raise NoSuch("This lot has no such document.")
    return found.name, workspace.store.read(sha256)
