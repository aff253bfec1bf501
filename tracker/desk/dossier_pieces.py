"""One piece on the pages of a dossier."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.bench.figures import show, show_u
from tracker.desk import dossier_figures, dossier_plates, dossier_plots
from tracker.desk.assess import TEST_NAMES, piece_suspicions
from tracker.desk.contract import PieceDocument
from tracker.desk.corrections import by_hand
from tracker.desk.dossier_copy import Copy
from tracker.desk.dossier_pictures import Gathered
from tracker.desk.dossier_plates import Chosen
from tracker.desk.events import piece_events
from tracker.desk.facts import Facts, facts_of
from tracker.desk.learned import Learned
from tracker.desk.pieces import Seat, dispositions, seats
from tracker.desk.showing import RunShown, run_shown
from tracker.dossier.model import ClaimRow, EventRow, FindingRow, Picture, PieceSheet, Row, RunSheet, SumRow, Table
from tracker.judgement.suspicion import SumLine, Suspicion, percent
from tracker.knowledge import parts
from tracker.records.models import BenchRun, JournalEntry, Lot, Piece

STANDS = {"same": "agrees", "unsure": "unsure"}
UNITS = {"body": "of the short side", "ratio": "", "1": "", "deg": "°"}
NOT_READ = "not read"
WRITTEN_BY_HAND = ("declared-exemplar", "settled-genuine", "settled-not-genuine")
"""Codes of lines of the sum that quote what a person wrote."""


@dataclass(frozen=True, slots=True)
class Making:
    """What sheets are made from beside the records: pictures, chosen plates, what the copy leaves out, and weights."""

    gathered: Gathered
    chosen: Chosen
    copy: Copy
    known: Learned
    of: int
    """Pieces in the dossier."""
    plots: bool = True


def sheets(session: Session, pieces: Sequence[Piece], making: Making) -> Iterator[PieceSheet]:
    """Return the pages of each piece in turn."""
    facts = facts_of(session, pieces)
    suspicions = piece_suspicions(session, pieces, making.known)
    # A finding keeps the weight of its day; the sum of a dossier is of the day it is made.
    making.gathered.methods["weights of the sums"] = making.known.experience.version
    stands, sitting = dispositions(session, pieces), seats(session, pieces)
    for piece in pieces:
        sits = sitting.get(piece.id)
        yield _sheet(session, piece, facts[piece.id], suspicions[piece.id], stands[piece.id], sits, making)


def _sheet(
    session: Session, piece: Piece, facts: Facts, suspicion: Suspicion, stands: str, sits: Seat | None, making: Making
) -> PieceSheet:
    copy, done = making.copy, piece_events(session, piece)
    documents = facts.documents
    top = facts.top[1] if facts.top else None
    runs = list(session.scalars(select(BenchRun).where(BenchRun.piece_id == piece.id).order_by(BenchRun.id)))
    beside = making.chosen.get(piece.id)
    findings = tuple(_findings(documents, numbered=beside[0].document if beside else None))
    return PieceSheet(
        label=piece.label,
        suspicion=percent(suspicion.probability),
        total=_db(suspicion.total_db),
        standing=_standing(stands, sits),
        lines=tuple(_lines(top, copy)) if top else (),
        corrected=_corrected(session, facts, copy),
        claims=tuple(_claims(piece.lot, top, copy)),
        findings=findings,
        sum=tuple(_sum(suspicion, copy)),
        runs=tuple(_run(session, run, making) for run in runs),
        events=tuple(EventRow(instant(e.at), copy.operator(e.operator), e.what, copy.words(e.why)) for e in done),
        pictures=tuple(_captioned(one, copy) for one in making.gathered.of_piece.get(piece.id, ())),
        compared_with=_compared_with(documents),
        plates=dossier_plates.plates(piece, beside, making.gathered, copy) if beside else (),
        plates_note=dossier_plates.note(piece, making.chosen, making.of) if top and findings else "",
        fitting=tuple(_fitting(session, sits, copy)),
        tested=", ".join(f"{run.test} {run.verdict}" for run in facts.runs),
        brief=not (findings or runs or done or beside),
    )


def _captioned(picture: Picture, copy: Copy) -> Picture:
    return replace(picture, caption=copy.words(picture.caption))


def _sum(suspicion: Suspicion, copy: Copy) -> Iterator[SumRow]:
    largest = max((abs(line.weight_db) for line in suspicion.lines), default=0.0) or 1.0
    for line in suspicion.lines:
        weight = "" if line.kind == "note" else _db(line.weight_db)
        yield SumRow(weight, _sum_text(line, copy), round(line.weight_db / largest, 3))


def _sum_text(line: SumLine, copy: Copy) -> str:
    return copy.words(line.text) if line.code in WRITTEN_BY_HAND else line.text


def _fitting(session: Session, sits: Seat | None, copy: Copy) -> Iterator[Row]:
    """Return where a piece sits now."""
    if sits is None:
        return
    yield Row("machine", f"{sits.machine.label}, {sits.machine.name}")
    if sits.machine.owner_reference and not copy.redaction.owners:
        yield Row("owner's reference", sits.machine.owner_reference)
    yield Row("position", sits.position)
    yield Row("since (UTC)", instant(session.get_one(JournalEntry, sits.entry_id).at))


def _db(weight: float) -> str:
    return f"{weight:+.1f} db"


def instant(at: str) -> str:
    """Return an instant to the second, as a person reads it."""
    return at[:19].replace("T", " ")


def _standing(disposition: str, sits: Seat | None) -> str:
    if sits is not None:
        return f"fitted into {sits.machine.label} ({sits.machine.name}) at {sits.position}"
    return disposition


def _readers(readers: dict[str, str]) -> str:
    return ", ".join(f"{name}: {text or NOT_READ}" for name, text in sorted(readers.items()))


def _lines(top: PieceDocument, copy: Copy) -> Iterator[Row]:
    for line in top.piece.lines:
        text, readers = line.text, _readers(line.readers)
        # What a person typed may name more than the chip does.
        yield Row(text, readers) if top.piece.as_read is None else Row(copy.words(text), copy.words(readers))


def _corrected(session: Session, facts: Facts, copy: Copy) -> str:
    """Return who corrected the reading and what it was before; '' where nobody did."""
    said = by_hand(session, *facts.top) if facts.top else None
    if said is None:
        return ""
    who = copy.operator(said.operator)
    remark = f": {copy.words(said.remark)}" if said.remark else ""
    return (
        f"Corrected by hand{f' by {who}' if who else ''} on {said.at[:10]}{remark}. The readers read "
        f"{' / '.join(said.as_read) or 'nothing'}."
    )


def _claims(lot: Lot, top: PieceDocument | None, copy: Copy) -> Iterator[ClaimRow]:
    piece = top.piece if top else None
    read = piece.part if piece else None
    if read and piece and piece.as_read is not None:
        read = copy.words(read)
    compared = parts.compare_part(lot.claimed_part, read) if read else None
    kind = compared.kind if compared else ""
    yield ClaimRow("part", lot.claimed_part, read or NOT_READ, STANDS.get(kind, "differs" if kind else ""))
    parsed = parts.parse(read) if read else None
    makers = parsed.makers if parsed else ()
    stands = ""
    if makers and lot.claimed_maker:
        stands = "agrees" if any(lot.claimed_maker.casefold() in m.casefold() for m in makers) else "unsure"
    by_prefix = f"by its prefix: {' or '.join(makers)}" if makers else "not told by the number"
    yield ClaimRow("maker", lot.claimed_maker or "not claimed", by_prefix, stands)
    yield ClaimRow("grade", lot.claimed_grade or "not claimed", (parsed and parsed.speed) or "none in the number", "")
    yield ClaimRow("package", "", (piece and piece.package) or "not told", "")
    dated, age = NOT_READ, ""
    if piece and piece.date_codes:
        best = piece.date_codes[0]
        when = f"{best.year} week {best.week}" if best.week else str(best.year)
        dated = f"{best.text} ({when}, {percent(best.probability)} sure)"
        age = f"{lot.arrived_on.year - best.year} years from its date code to its arrival"
    yield ClaimRow("date code", f"arrived {lot.arrived_on.isoformat()}", dated, "")
    yield ClaimRow("condition", lot.condition, age, "")


def _findings(documents: Sequence[PieceDocument], numbered: PieceDocument | None) -> Iterator[FindingRow]:
    """Return the findings of every photo; those of the one on the plates with their numbers there."""
    for document in documents:
        told = dossier_plates.marks(document) if numbered is not None and document == numbered else ()
        for one in document.piece.findings:
            yield FindingRow(
                message=one.message,
                measured=_value(one.value, one.unit),
                reference=_value(one.reference, one.unit),
                weight=_db(one.weight_db),
                number=str(told.index(one) + 1) if one in told else "",
            )


def _value(value: float | None, unit: str | None) -> str:
    if value is None:
        return ""
    return f"{value:.3g} {UNITS.get(unit or '', unit or '')}".strip()


def _compared_with(documents: Sequence[PieceDocument]) -> str:
    others = sorted({other for document in documents for other in document.compared_with})
    if not documents:
        return "Not photographed."
    return f"Compared with {', '.join(others)}." if others else "There was nothing to compare it with."


def _run(session: Session, run: BenchRun, making: Making) -> RunSheet:
    shown, result, copy = run_shown(session, run), dossier_figures.parsed(run), making.copy
    facts = [
        *dossier_figures.figures(run.test, result),
        ("supply", None if run.supply_v is None else f"{run.supply_v:g} V"),
        ("ambient", None if run.ambient_c is None else f"{run.ambient_c:g} °C"),
        ("jig or machine", copy.words(run.jig)),
        ("instrument", copy.words(run.instrument)),
        ("remark", copy.words(run.remark)),
    ]
    return RunSheet(
        label=run.label,
        test=TEST_NAMES.get(run.test, run.test),
        verdict=run.verdict,
        weight=_db(run.weight_db),
        rule=run.rule,
        reasons=(*_texts(result.get("reasons")), *_texts(result.get("notes"))),
        conditions=tuple(Row(name, value) for name, value in facts if value),
        readings=_readings(shown),
        at=instant(shown.at),
        operator=copy.operator(shown.operator),
        plot=_plot(session, run, result, making),
    )


def _plot(session: Session, run: BenchRun, result: dict[str, Any], making: Making) -> Picture | None:
    if not making.plots:
        return None
    exemplars = session.scalars(select(BenchRun).where(BenchRun.label.in_(_texts(result.get("exemplars"))))).all()
    drawn = dossier_plots.plot(run, result, exemplars)
    if drawn is None:
        return None
    said, picture = drawn
    file = f"run-{run.label}.svg"
    making.gathered.pictures[file] = picture
    return Picture(file, f"{run.label}: {said}")


def _texts(value: object) -> tuple[str, ...]:
    return tuple(str(one) for one in value) if isinstance(value, list) else ()


HEADS = {
    "clock_hz": "clock",
    "current_a": "current",
    "current_u_a": "uncertainty",
    "voltage_v": "voltage",
    "time_s": "time, s",
    "temp_c": "temperature, °C",
    "ambient_c": "ambient, °C",
    "passed": "passed",
    "text": "",
}


_MOST_READINGS = 40
"""A sweep or a soak has hundreds, which would fill pages; all are in the records, and so is a table they came from."""


def _readings(run: RunShown) -> Table:
    columns = list(dict.fromkeys(name for sample in run.samples for name, _ in sample))
    rows = [tuple(_cell(name, dict(sample).get(name)) for name in columns) for sample in run.samples[:_MOST_READINGS]]
    left = len(run.samples) - len(rows)
    if left:
        rows.append((f"and {left} more, in the records", *[""] * (len(columns) - 1)))
    return Table(tuple(HEADS.get(name, name) for name in columns), tuple(rows))


# The units that get the prefix a person would choose; others stand at the column's head.
_PREFIXED = {"hz": "Hz", "a": "A", "v": "V"}


def _cell(name: str, value: object) -> str:
    if value is None:
        return ""
    unit = _PREFIXED.get(name.rpartition("_")[2])
    if unit and isinstance(value, int | float) and not isinstance(value, bool):
        return show_u(value, unit) if "_u_" in name else show(value, unit)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:,.0f}" if abs(value) >= 1e4 else f"{value:.6g}"
    return str(value)
