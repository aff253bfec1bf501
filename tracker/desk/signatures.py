"""Are the journal's entries signed, and is what this bench signed still there?"""

from collections.abc import Iterator, Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker import journal
from tracker.desk import keys
from tracker.desk.fault import Fault, Notice
from tracker.records.models import JournalEntry

RUNG = "signatures"


class Signatures:
    """One walk over the journal; `seen` and `notices` are complete once `faults` came to its end."""

    def __init__(self, session: Session, memories: Sequence[keys.Memory]) -> None:
        self._session = session
        self._memories = memories
        self._check = journal.SignatureCheck()
        self.notices: tuple[Notice, ...] = ()

    @property
    def seen(self) -> tuple[journal.KeySeen, ...]:
        """Every key the journal announces, in order."""
        return tuple(self._check.keys.values())

    def faults(self) -> Iterator[Fault | int]:
        """Yield what is wrong, and how many things were checked."""
        unsigned = checked = 0
        query = select(JournalEntry).order_by(JournalEntry.id).execution_options(yield_per=500)
        for entry in self._session.scalars(query):
            broken = self._check.broken(entry)
            if broken is not None:
                yield Fault(RUNG, broken.code, f"entry {broken.entry}", broken.message)
            behind = journal.body_of(entry).get("clock_behind_s")
            if behind is not None:
                self._notice("clock-behind", f"entry {entry.id}", _behind(entry.id, behind))
            unsigned += entry.signature is None and broken is None
            checked += 1
        if unsigned:
            what = "Journal entry 1 is" if unsigned == 1 else f"Journal entries 1 to {unsigned} are"
            self._notice("before-signing", f"entry {unsigned}", f"{what} from before the journal was signed.")
        for memory in self._memories:
            checked += 1
            yield from self._remembered(memory)
        yield checked

    def _remembered(self, memory: keys.Memory) -> Iterator[Fault]:
        there = self._session.scalar(select(JournalEntry.hash).where(JournalEntry.id == memory.head.entry))
        if there == memory.head.hash:
            return
        message = (
            f"This bench signed entry {memory.head.entry} ({memory.head.hash[:16]}...) here, and the journal does not "
            "hold it any more: entries were removed or written anew, or an older backup was put back."
        )
        yield Fault(RUNG, "signed-entry-missing", f"entry {memory.head.entry}", message)

    def _notice(self, code: str, subject: str, message: str) -> None:
        self.notices = (*self.notices, Notice(code, subject, message))


def _behind(entry: int, seconds: object) -> str:
    return (
        f"At entry {entry} the bench's clock stood {seconds} s behind the entry before it; the journal said so then. "
        "Dates near it may be wrong."
    )
