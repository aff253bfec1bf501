"""The one walk over the journal: chain, signatures, rows, and what entries say of counts and files.

Entries come in blocks, so however long the journal is, no more of it is in memory than a few blocks. Signatures take
most of the time; where there are many, other processes do that arithmetic, and what they say is taken in order.
"""

import os
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import ExitStack
from dataclasses import asdict, dataclass, field
from multiprocessing import get_context
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker import journal, journal_check, signing
from tracker.desk.fault import Fault, Notice
from tracker.desk.found import Found
from tracker.desk.row_check import RowCheck
from tracker.records import bulk
from tracker.records.models import JournalEntry
from vision import helper

MANY = 20_000
"""From so many entries on, other processes check signatures: starting one costs what some thousand signatures do
(measured on two cores)."""
_AHEAD = 8  # blocks whose signatures may be on their way; our own choice
Told = Callable[[int], None]


@dataclass(slots=True)
class Walk:
    """How far the walk came and what it found; all but `named` can be written down and gone on with.

    Attributes
    ----------
    chain : journal_check.Chain
        The last entry that was seen.
    said : dict of str to int
        By table, how many rows the entries say they wrote.
    named : dict of bytes to int
        The files that entries name, each by its digest with the first entry that names it.
    """

    chain: journal_check.Chain = field(default_factory=journal_check.Chain)
    signatures: journal_check.SignatureCheck = field(default_factory=journal_check.SignatureCheck)
    links: Found = field(default_factory=Found)
    signed: Found = field(default_factory=Found)
    said: dict[str, int] = field(default_factory=dict)
    unsigned: int = 0
    noted_seen: bool = False
    notices: list[Notice] = field(default_factory=list)
    rows_there: dict[str, Found] = field(default_factory=dict)
    rows_lost: dict[str, Found] = field(default_factory=dict)
    named: dict[bytes, int] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """Return it as JSON values, without the files."""
        return {
            "chain": asdict(self.chain),
            "keys": [asdict(key) for key in self.signatures.keys.values()],
            "links": self.links.as_json(),
            "signed": self.signed.as_json(),
            "said": self.said,
            "unsigned": self.unsigned,
            "noted_seen": self.noted_seen,
            "notices": [asdict(one) for one in self.notices],
            "rows_there": {name: found.as_json() for name, found in self.rows_there.items()},
            "rows_lost": {name: found.as_json() for name, found in self.rows_lost.items()},
        }

    @classmethod
    def from_json(cls, said: dict[str, Any]) -> "Walk":
        """Read what `as_json` gave."""
        check = journal_check.SignatureCheck()
        check.keys = {one["name"]: journal_check.KeySeen(**one) for one in said["keys"]}
        return cls(
            chain=journal_check.Chain(**said["chain"]),
            signatures=check,
            links=Found.from_json(said["links"]),
            signed=Found.from_json(said["signed"]),
            said=dict(said["said"]),
            unsigned=said["unsigned"],
            noted_seen=said["noted_seen"],
            notices=[Notice(**one) for one in said["notices"]],
            rows_there={name: Found.from_json(one) for name, one in said["rows_there"].items()},
            rows_lost={name: Found.from_json(one) for name, one in said["rows_lost"].items()},
        )


def walk(session: Session, done: Walk, noted: str | None, many: bool, told: Callable[[Walk], None]) -> Found:
    """Go on with a walk to the end of the journal; return what was found of the rows.

    Parameters
    ----------
    done : Walk
        How far it came before; it is carried on.
    noted : str, optional
        The beginning of a hash that is looked for.
    many : bool
        Whether other processes check the signatures.
    told : callable
        Hears of the walk after every block, at a point where it could be gone on with.
    """
    rows = RowCheck(session, done.chain.number)
    for mine, known in ((rows.there, done.rows_there), (rows.lost, done.rows_lost)):
        mine.update({name: found for name, found in known.items() if name in mine})
    done.rows_there, done.rows_lost = rows.there, rows.lost
    with _Signatures(done, many) as signatures:
        for entries in blocks(session, done.chain.number):
            for entry in entries:
                _take(done, entry, noted, rows, signatures)
            signatures.send()
            if signatures.idle:
                told(done)
        signatures.finish()
    told(done)
    return rows.end()


def blocks(session: Session, after: int = 0, upto: int | None = None) -> Iterator[Sequence[journal.Entry]]:
    """Yield the journal's entries in order, some at a time: those after one, and up to one where that is given."""
    table = JournalEntry.__table__
    query = select(*table.columns).where(table.c.id > after).order_by(table.c.id)
    if upto is not None:
        query = query.where(table.c.id <= upto)
    return bulk.blocks(session.connection(), query)


def _take(done: Walk, entry: journal.Entry, noted: str | None, rows: RowCheck, signatures: "_Signatures") -> None:
    body = journal.body_of(entry)
    for broken in done.chain.broken(entry, body):
        done.links.take([Fault("chain", broken.code, f"entry {broken.entry}", broken.message)])
    done.links.checked += 1
    done.noted_seen = done.noted_seen or (noted is not None and entry.hash.startswith(noted))
    said = body.get("rows")
    for table, of_table in said.items() if isinstance(said, dict) else ():
        count = of_table.get("count") if isinstance(of_table, dict) else None
        if isinstance(count, int):
            done.said[table] = done.said.get(table, 0) + count
    note_files(done.named, entry.id, body)
    behind = body.get("clock_behind_s")
    if behind is not None and len(done.notices) < 1000:
        done.notices.append(Notice("clock-behind", f"entry {entry.id}", _behind(entry.id, behind)))
    signatures.take(entry, body)
    rows.entry(entry.id, body)


def note_files(named: dict[bytes, int], entry_id: int, body: Any) -> None:
    """Add the files that an entry names."""
    files = body.get("files")
    for sha256 in files if isinstance(files, dict) else ():
        try:
            named.setdefault(bytes.fromhex(sha256), entry_id)
        except ValueError:
            continue  # an edited entry, which its hash shows


def _behind(entry: int, seconds: object) -> str:
    return (
        f"At entry {entry} the bench's clock stood {seconds} s behind the entry before it; the journal said so then. "
        "Dates near it may be wrong."
    )


Looked = tuple[int, journal_check.BrokenLink | journal_check.Signed | None]


class _Signatures:
    """Checks signatures here or in other processes, and takes note of them in order of the entries."""

    def __init__(self, done: Walk, many: bool) -> None:
        self._done = done
        self._looked: list[Looked] = []
        self._sent: deque[tuple[list[Looked], Future[list[bool]]]] = deque()
        self._many, self._stack = many, ExitStack()
        self._pool: ProcessPoolExecutor | None = None
        self._since = time.monotonic()

    def __enter__(self) -> "_Signatures":
        if self._many:
            # Not forked: this process has threads and an open database.
            pool = ProcessPoolExecutor(max(1, os.cpu_count() or 1), get_context("spawn"), helper.begin)
            self._pool = self._stack.enter_context(pool)
            self._stack.callback(pool.shutdown, wait=False, cancel_futures=True)
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    @property
    def idle(self) -> bool:
        """Whether all that was taken is settled."""
        return not self._sent

    def take(self, entry: journal.Entry, body: dict[str, Any]) -> None:
        """Look at the next entry."""
        found = self._done.signatures.look(entry, body)
        self._done.unsigned += entry.signature is None and found is None
        self._looked.append((entry.id, found))

    def send(self) -> None:
        """Have a block's signatures checked; every second wait for all that is on its way, so that it can be noted."""
        looked, self._looked = self._looked, []
        claims = [one.claim for _, one in looked if isinstance(one, journal_check.Signed)]
        if self._pool is None:
            self._settle(looked, signing.all_hold(claims))
            return
        self._sent.append((looked, self._pool.submit(signing.all_hold, claims)))
        while len(self._sent) > _AHEAD or (self._sent and time.monotonic() - self._since > 1):
            self._one()
        if not self._sent:
            self._since = time.monotonic()

    def finish(self) -> None:
        """Wait for all that is on its way."""
        while self._sent:
            self._one()

    def _one(self) -> None:
        looked, answer = self._sent.popleft()
        self._settle(looked, answer.result())

    def _settle(self, looked: list[Looked], hold: list[bool]) -> None:
        answers = iter(hold)
        for _, found in looked:
            broken = (
                self._done.signatures.held(found, next(answers)) if isinstance(found, journal_check.Signed) else found
            )
            self._done.signed.checked += 1
            if broken is not None:
                self._done.signed.take([Fault("signatures", broken.code, f"entry {broken.entry}", broken.message)])
