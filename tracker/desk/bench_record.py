"""Writing a bench run: what was tested, the run with its conditions and raw readings, and what it did to the piece."""

import json
from collections.abc import Sequence
from dataclasses import Field, asdict, dataclass
from typing import Any, ClassVar, Generic, TypeVar
from typing import Protocol as Shape

from sqlalchemy.orm import Session

from tracker.bench import cautions
from tracker.bench.cautions import Protocol
from tracker.bench.conformity import Verdict
from tracker.bench.tables import Source
from tracker.desk.assess import piece_suspicion
from tracker.desk.bench_entry import Conditions
from tracker.desk.learned import Learned, learned
from tracker.desk.pieces import find_machine, find_piece, looks_like_machine, machine_or_none, next_number, seat
from tracker.desk.workspace import Act
from tracker.errors import BadRequest
from tracker.knowledge import families
from tracker.knowledge.families import FamilyData
from tracker.records.models import BenchRun, BenchSample, Lot, Machine, Piece


class Result(Shape):
    """What every test's result, a frozen dataclass, says beside its own figures."""

    __dataclass_fields__: ClassVar[dict[str, Field[Any]]]

    @property
    def verdict(self) -> Verdict: ...
    @property
    def rule(self) -> str: ...
    @property
    def reasons(self) -> tuple[str, ...]: ...


R_co = TypeVar("R_co", bound=Result, covariant=True)


@dataclass(frozen=True, slots=True)
class Change:
    """A piece's suspicion before and after a run, as probabilities."""

    before: float
    after: float


@dataclass(frozen=True, slots=True)
class Recorded(Generic[R_co]):
    """A bench run as it was recorded.

    Parameters
    ----------
    run : str
        Its label.
    piece, machine : str or None
        What was tested; a piece may be tested in a machine.
    claimed_part : str or None
    test : str
        'current', 'clock', 'soak', 'signature', 'curve' or 'in-circuit'.
    verdict : 'pass', 'fail' or 'undecided'
    weight_db : float
        What the verdict says of the piece, in decibans; 0 when undecided or when a machine alone was tested.
    notes : tuple of str
        Where the conditions differ from those of the limit, and other things to mind.
    suspicion : Change or None
        None when a machine alone was tested.
    """

    run: str
    piece: str | None
    machine: str | None
    claimed_part: str | None
    test: str
    verdict: Verdict
    rule: str
    reasons: tuple[str, ...]
    notes: tuple[str, ...]
    weight_db: float
    suspicion: Change | None
    conditions: Conditions
    table: str | None
    result: R_co
    protocol: Protocol


@dataclass(frozen=True, slots=True)
class Subject:
    """What is tested: a piece, a machine, or a piece in a machine."""

    piece: Piece | None
    machine: Machine | None

    @property
    def label(self) -> str:
        if self.piece is not None:
            return self.piece.label
        return self.machine.label if self.machine is not None else ""

    @property
    def lot(self) -> Lot | None:
        return self.piece.lot if self.piece is not None else None

    @property
    def family(self) -> FamilyData | None:
        return families.for_part(self.lot.claimed_part) if self.lot is not None else None


@dataclass(frozen=True, slots=True)
class Outcome(Generic[R_co]):
    """One evaluated test, ready to be written."""

    test: str
    result: R_co
    notes: tuple[str, ...]
    conditions: Conditions
    samples: tuple[BenchSample, ...]
    source: Source | None = None


def find_subject(session: Session, label: str) -> Subject:
    """Return the piece or the machine that a label (or a machine's name) means.

    Raises
    ------
    BadRequest
        There is none; the sentence goes by what the label looks like.
    """
    machine = machine_or_none(session, label)
    if machine is not None:
        return Subject(None, machine)
    if looks_like_machine(label):
        find_machine(session, label)  # says that there is no such machine
    return Subject(find_piece(session, label), None)


def in_machine(session: Session, subject: Subject, machine: str | None) -> Subject:
    """Return the subject with the machine it is tested in: the one named, else the one it is fitted into."""
    if subject.piece is None:
        if machine is not None and find_machine(session, machine).id != (subject.machine and subject.machine.id):
            raise BadRequest(f"{subject.label} is a machine itself.", "Leave --machine out.")
        return subject
    if machine is not None:
        return Subject(subject.piece, find_machine(session, machine))
    sits = seat(session, subject.piece)
    return Subject(subject.piece, sits.machine if sits is not None else None)


def record(act: Act, subject: Subject, outcome: Outcome[R_co]) -> Recorded[R_co]:
    """Write one run with its readings, and return what it did to the piece's suspicion."""
    result, piece, machine = outcome.result, subject.piece, subject.machine
    # The run may settle the piece's truth; that has no part in the piece's own suspicion, so one reading will do.
    known = None if piece is None else learned(act.session)
    before = None if piece is None else piece_suspicion(act.session, piece, known).probability
    weight = 0.0 if piece is None or known is None else _weight_db(piece, outcome, known)
    kept = None if outcome.source is None else act.keep(outcome.source.data)
    run = act.add(
        BenchRun(
            label=f"B{next_number(act.session, BenchRun):04d}",
            piece_id=None if piece is None else piece.id,
            machine_id=None if machine is None else machine.id,
            test=outcome.test,
            verdict=result.verdict,
            weight_db=weight,
            rule=result.rule,
            supply_v=outcome.conditions.supply_v,
            ambient_c=outcome.conditions.ambient_c,
            jig=outcome.conditions.jig,
            instrument=outcome.conditions.instrument,
            result=_result_text(outcome, None if kept is None else kept.sha256),
            remark=outcome.conditions.remark,
        )
    )
    _add_samples(act, run, outcome.samples)
    after = None if piece is None else piece_suspicion(act.session, piece, known).probability
    act.subject = subject.label
    act.body.update(run=run.label, test=run.test, verdict=run.verdict, rule=run.rule, weight_db=run.weight_db)
    return Recorded(
        run=run.label,
        piece=None if piece is None else piece.label,
        machine=None if machine is None else machine.label,
        claimed_part=None if subject.lot is None else subject.lot.claimed_part,
        test=outcome.test,
        verdict=result.verdict,
        rule=result.rule,
        reasons=result.reasons,
        notes=outcome.notes,
        weight_db=weight,
        suspicion=None if before is None or after is None else Change(before, after),
        conditions=outcome.conditions,
        table=None if kept is None else kept.sha256,
        result=result,
        protocol=cautions.protocol(outcome.test),
    )


def _weight_db(piece: Piece, outcome: Outcome[R_co], known: Learned) -> float:
    """Return what the verdict weighs on the day of the run, in decibans."""
    if outcome.result.verdict == "undecided":
        return 0.0
    weights = known.experience.without_piece(piece.id)
    return weights.weight_db(f"bench-{outcome.test}-{outcome.result.verdict}")


def _add_samples(act: Act, run: BenchRun, samples: Sequence[BenchSample]) -> None:
    for sample in samples:
        sample.run_id = run.id
    act.session.add_all(samples)
    act.session.flush()


def _result_text(outcome: Outcome[R_co], table_sha256: str | None) -> str:
    document = asdict(outcome.result) | {"notes": list(outcome.notes)}
    if outcome.source is not None:
        document["table"] = {"name": outcome.source.name, "sha256": table_sha256}
    return json.dumps(document, ensure_ascii=False, sort_keys=True, allow_nan=False)
