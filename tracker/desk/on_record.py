"""What is on record about many pieces, as plain values: what a sum of suspicion is made from.

The same as `tracker/desk/facts.py` gives row by row for a dossier, here with a fixed number of questions and nothing
read that no sum needs.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.looks import Look, Looks, Which, among, looks_at
from tracker.records.models import BenchRun, Decision, Exemplar, Settlement

VERDICTS = ("pass", "fail")


class Ran(NamedTuple):
    """One bench run in short."""

    label: str
    test: str
    verdict: str


class Settled(NamedTuple):
    """A truth that stands, and its grounds."""

    genuine: bool
    grounds: str


class KnownGood(NamedTuple):
    """A declaration as an exemplar that stands, and its grounds."""

    grounds: str


class Runs(NamedTuple):
    """The runs of one piece that hold, and those a later run of the same test took back."""

    latest: tuple[Ran, ...] = ()
    reversed: tuple[tuple[Ran, Ran], ...] = ()


@dataclass(frozen=True, slots=True)
class OnRecord:
    """What is on record about one piece, the latest of each kind.

    Parameters
    ----------
    looks : tuple of Look
        One a role of photo.
    runs : tuple of Ran
        One a test: the latest with a verdict, else the latest.
    settlement : Settled or None
    exemplar : KnownGood or None
    disposition : str or None
        As decided last; None while it is open.
    reversed : tuple of (Ran, Ran)
        A run with a verdict, and the later run of the same test with the other one: the later alone counts.
    looked : bool
        Whether any photo was said to show it, if only for a while.
    """

    looks: tuple[Look, ...]
    runs: tuple[Ran, ...]
    settlement: Settled | None
    exemplar: KnownGood | None
    disposition: str | None
    reversed: tuple[tuple[Ran, Ran], ...] = ()
    looked: bool = False

    @property
    def anything(self) -> bool:
        """Whether anything is known of it but where it came from."""
        return bool(self.looked or self.runs or self.settlement or self.exemplar)

    @property
    def beyond_looks(self) -> bool:
        """Whether there is a bench verdict or a truth, which speak of its siblings as well."""
        return bool(self.settlement or self.exemplar) or any(run.verdict in VERDICTS for run in self.runs)

    @property
    def top(self) -> Look | None:
        """The look whose reading of the marking holds."""
        return Looks({0: self.looks}, frozenset()).top(0)


NOTHING = OnRecord((), (), None, None, None)


def on_record(session: Session, pieces: Iterable[int], which: Which | None = None) -> dict[int, OnRecord]:
    """Return what is on record about some pieces, by id.

    Parameters
    ----------
    pieces : iterable of int
        Their ids.
    which : select, optional
        The question that gives the same ids, where that is shorter than naming each.
    """
    return _gathered(session, list(pieces), which, with_looks=True)


def bench_and_truth(session: Session, pieces: Iterable[int], which: Which | None = None) -> dict[int, OnRecord]:
    """Return what `on_record` does, without what photos showed."""
    return _gathered(session, list(pieces), which, with_looks=False)


def _gathered(session: Session, ids: Sequence[int], which: Which | None, *, with_looks: bool) -> dict[int, OnRecord]:
    if not ids:
        return {}
    of = ids if which is None else which
    looks = looks_at(session, of) if with_looks else Looks({}, frozenset())
    runs, settled = _runs(session, of), _settled(session, of)
    declared, decided = _declared(session, of), _decided(session, of)
    none = Runs()
    found = {}
    for number in ids:
        ran = runs.get(number, none)
        found[number] = OnRecord(
            looks.latest.get(number, ()),
            ran.latest,
            settled.get(number),
            declared.get(number),
            decided.get(number),
            ran.reversed,
            number in looks.looked,
        )
    return found


def _runs(session: Session, of: Which) -> dict[int, Runs]:
    rows = session.execute(
        select(BenchRun.piece_id, BenchRun.label, BenchRun.test, BenchRun.verdict)
        .where(among(BenchRun.piece_id, of))
        .order_by(BenchRun.id)
    )
    latest: dict[int, dict[str, Ran]] = {}
    earlier: dict[int, list[Ran]] = {}
    for number, label, test, verdict in rows:
        tested = latest.setdefault(number or 0, {})
        # An undecided run says nothing, so it takes nothing back either: the verdict before it stands.
        if verdict in VERDICTS or test not in tested:
            if (before := tested.get(test)) is not None and before.verdict in VERDICTS:
                earlier.setdefault(number or 0, []).append(before)
            tested[test] = Ran(label, test, verdict)
    return {
        number: Runs(
            tuple(tested.values()),
            tuple(
                (run, tested[run.test]) for run in earlier.get(number, ()) if run.verdict != tested[run.test].verdict
            ),
        )
        for number, tested in latest.items()
    }


def _settled(session: Session, of: Which) -> dict[int, Settled]:
    query = select(Settlement.piece_id, Settlement.withdrawn, Settlement.genuine, Settlement.grounds)
    rows = session.execute(query.where(among(Settlement.piece_id, of)).order_by(Settlement.id))
    return {number: Settled(*said) for number, said in _standing(rows).items()}


def _declared(session: Session, of: Which) -> dict[int, KnownGood]:
    query = select(Exemplar.piece_id, Exemplar.withdrawn, Exemplar.grounds)
    rows = session.execute(query.where(among(Exemplar.piece_id, of)).order_by(Exemplar.id))
    return {number: KnownGood(*said) for number, said in _standing(rows).items()}


def _standing(rows: Iterable[Any]) -> Mapping[int, tuple[Any, ...]]:
    """Return what was said last of each piece, by its id; what was withdrawn is as if never said."""
    latest = {number: (withdrawn, said) for number, withdrawn, *said in rows}
    return {number: tuple(said) for number, (withdrawn, said) in latest.items() if not withdrawn}


def _decided(session: Session, of: Which) -> dict[int, str]:
    query = select(Decision.piece_id, Decision.disposition).where(among(Decision.piece_id, of)).order_by(Decision.id)
    return {row.piece_id: row.disposition for row in session.execute(query)}
