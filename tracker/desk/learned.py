"""What the workshop has learned from pieces whose truth is known: its sellers' records and its own weights."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.facts import LISTING
from tracker.desk.looks import Found
from tracker.desk.on_record import VERDICTS, OnRecord, Ran, on_record
from tracker.desk.remembered import once
from tracker.desk.truths import SellerRecords, Truth, truths
from tracker.journal import head
from tracker.judgement.counts import ABSENT, CLEAR
from tracker.judgement.learning import Experience, Lesson, stronger
from tracker.judgement.prior import before_looking
from tracker.records.models import Document, Lot, Photo

REUSED = "picture-reused"
MOST_AT_ONCE = 5_000
"""A database takes only so many names at once."""


@dataclass(frozen=True)
class Learned:
    """What is known from pieces whose truth is known; made once and handed down.

    Parameters
    ----------
    truths : tuple of Truth
    records : SellerRecords
    experience : Experience
        Weights, with ways to leave out a piece or its lot.
    pictures : Pictures
    """

    truths: tuple[Truth, ...]
    records: SellerRecords
    experience: Experience
    pictures: "Pictures"


def learned(session: Session) -> Learned:
    """Return what the records, as they now are, teach.

    A function of the records alone: a settlement that is withdrawn takes back what it taught.
    """
    now = head(session)
    return once(session, now.hash, "learned", lambda before: _learned(session, now.entry, before))


def _learned(session: Session, until: int, before: Learned | None) -> Learned:
    known = truths(session)
    records, pictures = SellerRecords(known), Pictures.of(session)
    lessons = _lessons(session, known, records, pictures)
    # Most acts teach nothing: what was worked out of the same lessons holds on.
    same = before is not None and before.experience.lessons == lessons
    experience = before.experience.again(until) if before and same else Experience(lessons, until=until)
    return Learned(known, records, experience, pictures)


def _lessons(
    session: Session, known: Sequence[Truth], records: SellerRecords, pictures: "Pictures"
) -> tuple[Lesson, ...]:
    if not known:
        return ()
    lots = {row.id: row.source_kind for row in session.execute(select(Lot.id, Lot.source_kind))}
    lessons = []
    for start in range(0, len(known), MOST_AT_ONCE):
        some = known[start : start + MOST_AT_ONCE]
        told = on_record(session, [one.piece for one in some])
        lessons += [_lesson(one, told[one.piece], records, lots[one.lot], pictures) for one in some]
    return tuple(lessons)


def _lesson(truth: Truth, facts: OnRecord, records: SellerRecords, source: str, pictures: "Pictures") -> Lesson:
    outcomes = photo_outcomes(facts) | pictures.outcomes(truth.lot)
    if not truth.by_bench:
        # Bench tests that make the truth cannot be tried by it: they would confirm themselves. Nor are the others that
        # the piece went through counted: those that agreed are among its grounds, and to count only those that did not
        # would teach misses alone. So bench tests learn from what was established outside.
        outcomes |= bench_outcomes(facts.runs)
    before = before_looking(source, *records.of(truth.seller, without_lot=truth.lot))
    return Lesson(truth.piece, truth.lot, truth.not_genuine, outcomes, before.db)


def photo_outcomes(facts: OnRecord) -> dict[str, str]:
    """Return what became of everything that was looked for in a piece's photos."""
    found = {code: strength for code, (strength, _) in photo_findings(facts).items()}
    looked_for = (code for look in facts.looks for code in look.sight.looked_for)
    return dict.fromkeys(looked_for, ABSENT) | found


def photo_findings(facts: OnRecord) -> dict[str, tuple[str, Found]]:
    """Return how strongly each indicator was seen in a piece's photos, and the finding that says so, by code."""
    found: dict[str, tuple[str, Found]] = {}
    for look in facts.looks:
        for finding in look.findings:
            strength = look.sight.strengths.get(finding.code, CLEAR)
            if finding.code not in found or stronger(strength, found[finding.code][0]):
                found[finding.code] = (strength, finding)
    return found


def bench_outcomes(runs: Sequence[Ran]) -> dict[str, str]:
    """Return what became of both indicators of every test that a piece went through, undecided ones too."""
    return {
        f"bench-{run.test}-{verdict}": CLEAR if run.verdict == verdict else ABSENT
        for run in runs
        for verdict in VERDICTS
    }


@dataclass(frozen=True)
class Pictures:
    """Which lots' listing pictures were, to the byte, shown for earlier lots of other orders."""

    lots: frozenset[int]
    """Lots that have a listing picture."""
    earlier: Mapping[int, tuple[str, ...]]
    """Labels of the earlier lots, by lot; none where its pictures are its own."""

    @classmethod
    def of(cls, session: Session) -> "Pictures":
        """Read them for all lots at once."""
        photos = select(Photo.lot_id, Photo.sha256).where(Photo.role == LISTING)
        papers = select(Document.lot_id, Document.sha256).where(Document.kind == LISTING)
        lots: dict[str, set[int]] = {}
        shown: dict[int, set[str]] = {}
        for lot, sha256 in [*session.execute(photos), *session.execute(papers)]:
            lots.setdefault(sha256, set()).add(lot)
            shown.setdefault(lot, set()).add(sha256)
        shared = {lot for some in lots.values() if len(some) > 1 for lot in some}
        rows = {lot.id: lot for lot in session.scalars(select(Lot).where(Lot.id.in_(shared)))} if shared else {}
        earlier = {}
        for number, lot in rows.items():
            others = sorted({other for sha256 in shown[number] for other in lots[sha256] if other < number})
            earlier[number] = tuple(rows[other].label for other in others if not _one_order(rows[other], lot))
        return cls(frozenset(shown), earlier)

    def outcomes(self, lot: int) -> dict[str, str]:
        """Return what became of looking for reused pictures; nothing where a lot has no listing picture."""
        if lot not in self.lots:
            return {}
        return {REUSED: CLEAR if self.earlier.get(lot) else ABSENT}


def _one_order(one: Lot, other: Lot) -> bool:
    order = other.order_reference
    return bool(order) and (one.seller_id, one.order_reference) == (other.seller_id, order)
