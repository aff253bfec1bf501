"""The files that the records name: is each there, does each have the bytes it had, and who names it."""

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker import journal
from tracker.desk.fault import Fault
from tracker.desk.found import MOST_FAULTS, Found
from tracker.desk.journal_walk import blocks, note_files
from tracker.errors import BadRequest, Damaged
from tracker.evidence import EvidenceStore, Unreachable
from tracker.records import bulk
from tracker.records.models import Document, Inspection, Lot, Photo, Piece

FAR_HANDS = 16
"""Files asked for at once where each answer takes its time, as from a bucket (common practice, no source)."""


class Named:
    """Every file that the journal or a row names; `in` takes its hexadecimal digest.

    Attributes
    ----------
    first : dict of bytes to int
        By digest (half the memory of hexadecimal digits), the first entry that names it, 0 where none does.
    """

    def __init__(self) -> None:
        self.first: dict[bytes, int] = {}

    def __contains__(self, sha256: object) -> bool:
        try:
            return bytes.fromhex(str(sha256)) in self.first
        except ValueError:
            return False

    def __len__(self) -> int:
        return len(self.first)


def name_from_rows(session: Session, named: dict[bytes, int]) -> None:
    """Add the files that rows name."""
    for query in (
        select(Document.sha256),
        select(Photo.sha256),
        select(Inspection.overlay_sha256).where(Inspection.overlay_sha256.is_not(None)),
    ):
        for rows in bulk.blocks(session.connection(), query):
            for (sha256,) in rows:
                note_files(named, 0, {"files": {str(sha256): 0}})


def name_from_entries(session: Session, named: dict[bytes, int], upto: int | None = None) -> None:
    """Add the files that journal entries name, all or those up to one."""
    for entries in blocks(session, upto=upto):
        for entry in entries:
            note_files(named, entry.id, journal.body_of(entry))


def named_files(session: Session) -> Named:
    """Return every evidence file that the journal or a row names."""
    named = Named()
    name_from_entries(session, named.first)
    name_from_rows(session, named.first)
    return named


def who_names(session: Session, sha256s: Sequence[str], named: dict[bytes, int]) -> dict[str, str]:
    """Return who names some files, in words."""
    who = {one: f"journal entry {named[bytes.fromhex(one)]}" for one in sha256s}
    documents = select(Document.sha256, Document.name, Lot.label).join(Lot, Lot.id == Document.lot_id)
    photos = select(Photo.sha256, Photo.name, Lot.label).join(Lot, Lot.id == Photo.lot_id)
    for sha256, name, label in session.execute(documents.where(Document.sha256.in_(sha256s)).order_by(Document.id)):
        who[sha256] = f"document {name} of {label}"
    for sha256, name, label in session.execute(photos.where(Photo.sha256.in_(sha256s)).order_by(Photo.id)):
        who[sha256] = f"photo {name} of {label}"
    overlays = select(Inspection.overlay_sha256, Piece.label).join(Piece, Piece.id == Inspection.piece_id)
    for overlay, label in session.execute(
        overlays.where(Inspection.overlay_sha256.in_(sha256s)).order_by(Inspection.id)
    ):
        who[str(overlay)] = f"annotated picture of {label}"
    return who


def missing(session: Session, store: EvidenceStore, named: Named, there: set[str]) -> Found:
    """Return which of the named files are not in the store."""
    lost = sorted(one.hex() for one in named.first if one.hex() not in there)
    lost = [one for one in lost if not store.has(one)]
    who = who_names(session, lost[:MOST_FAULTS], named.first) if lost else {}
    found = Found(checked=len(named))
    found.take(
        Fault("completeness", "file-missing", one, f"The file of {name} ({one[:16]}...) is missing from the evidence.")
        for one, name in who.items()
    )
    found.count = len(lost)
    return found


def check_bytes(
    session: Session,
    store: EvidenceStore,
    named: Named,
    sha256s: Iterable[str],
    found: Found,
    told: Callable[[str], None],
) -> None:
    """Hash files, several at once, and take note of those that are not what they were, in order.

    Parameters
    ----------
    sha256s : iterable of str
        Which, in order.
    told : callable
        Hears of each file whose turn is over.

    Raises
    ------
    Unreachable
        When the store as a whole cannot be asked.
    """
    for sha256, outcome in _hashed(store, sha256s):
        if isinstance(outcome, str):
            found.checked += outcome == _FINE
        else:
            code, message, counted = outcome
            kept = len(found.faults) < MOST_FAULTS  # the others are only counted
            who = who_names(session, [sha256], named.first)[sha256] if kept else ""
            found.take([Fault("hashes", code, sha256, message.format(who=who))])
            found.checked += counted
        told(sha256)


_MISSING, _FINE = "missing", "fine"
_Outcome = str | tuple[str, str, bool]


def _hashed(store: EvidenceStore, sha256s: Iterable[str]) -> Iterator[tuple[str, _Outcome]]:
    hands = min(8, os.cpu_count() or 1) if store.local else FAR_HANDS
    waiting: deque[tuple[str, Future[_Outcome]]] = deque()
    with ThreadPoolExecutor(max_workers=hands) as pool:
        try:
            for sha256 in sha256s:
                waiting.append((sha256, pool.submit(_look, store, sha256)))
                if len(waiting) > 4 * hands:
                    first, answer = waiting.popleft()
                    yield first, answer.result()
            while waiting:
                first, answer = waiting.popleft()
                yield first, answer.result()
        finally:
            pool.shutdown(wait=False, cancel_futures=True)


def _look(store: EvidenceStore, sha256: str) -> _Outcome:
    try:
        found, size = store.digest(sha256)
    except Unreachable:
        raise  # no file of the store can be had: nothing is known of any
    except (Damaged, BadRequest):
        return _MISSING  # named as missing on the rung before
    except OSError as error:
        said = str(error.strerror or error).replace("{", "{{").replace("}", "}}")
        return "file-unreadable", f"The file of {{who}} cannot be read ({said}).", False
    if found == sha256:
        return _FINE
    message = f"The file of {{who}} ({sha256[:16]}...) has changed: it now has {size} bytes and another SHA-256."
    return "file-changed", message, True
