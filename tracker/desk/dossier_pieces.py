"""One piece on the pages of a dossier."""

import json
from collections.abc import Iterator, Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.bench.figures import show, show_with_u
from tracker.desk.assess import piece_suspicions
from tracker.desk.contract import FindingFound, PieceDocument
from tracker.desk.dossier_pictures import Gathered
from tracker.desk.facts import TOP_ROLES, Facts, facts_of
from tracker.desk.learned import learned
from tracker.desk.showing import PieceShown, RunShown, piece_shown, run_shown
from tracker.dossier.model import ClaimRow, EventRow, FindingRow, PieceSheet, Row, RunSheet, SumRow, Table
from tracker.judgement.suspicion import Suspicion, percent
from tracker.knowledge import parts
from tracker.records.models import BenchRun, Lot, Piece

STANDS = {"same": "agrees", "unsure": "unsure"}
UNITS = {"body": "of the short side", "ratio": "", "1": "", "deg": "°"}
NOT_READ = "not read"


def sheets(session: Session, pieces: Sequence[Piece], gathered: Gathered) -> Iterator[PieceSheet]:
    """Return the pages of each piece in turn."""
    facts, known = facts_of(session, pieces), learned(session)
    suspicions = piece_suspicions(session, pieces, known)
    # A finding keeps the weight of its day; the sum of a dossier is of the day it is made.
    gathered.methods["weights of the sums"] = known.experience.version
    for piece in pieces:
        shown = piece_shown(session, piece, known)
        yield _sheet(session, piece, facts[piece.id], shown, suspicions[piece.id], gathered)


def _sheet(
    session: Session, piece: Piece, facts: Facts, shown: PieceShown, suspicion: Suspicion, gathered: Gathered
) -> PieceSheet:
    documents = facts.documents
    roles = [role for role, _ in facts.inspections]
    tops = [document for role, document in zip(roles, documents, strict=True) if role in TOP_ROLES]
    top = tops[-1] if tops else None
    runs = session.scalars(select(BenchRun).where(BenchRun.piece_id == piece.id).order_by(BenchRun.id))
    return PieceSheet(
        label=piece.label,
        suspicion=percent(suspicion.probability),
        total=_db(suspicion.total_db),
        standing=_standing(shown),
        lines=tuple(Row(line.text, _readers(line.readers)) for line in top.piece.lines) if top else (),
        claims=tuple(_claims(piece.lot, top)),
        findings=tuple(_finding(one) for document in documents for one in document.piece.findings),
        sum=tuple(SumRow("" if line.kind == "note" else _db(line.weight_db), line.text) for line in suspicion.lines),
        runs=tuple(_run(run_shown(session, run)) for run in runs),
        events=tuple(EventRow(instant(e.at), e.operator, e.what, e.why or "") for e in shown.events),
        pictures=gathered.of_piece.get(piece.id, ()),
        compared_with=_compared_with(documents),
    )


def _db(weight: float) -> str:
    return f"{weight:+.1f} db"


def instant(at: str) -> str:
    """Return an instant to the second, as a person reads it."""
    return at[:19].replace("T", " ")


def _standing(shown: PieceShown) -> str:
    row = shown.summary
    if row.machine:
        return f"fitted into {row.machine} ({shown.machine_name}) at {row.position}"
    return row.disposition


def _readers(readers: dict[str, str]) -> str:
    return ", ".join(f"{name}: {text or NOT_READ}" for name, text in sorted(readers.items()))


def _claims(lot: Lot, top: PieceDocument | None) -> Iterator[ClaimRow]:
    piece = top.piece if top else None
    read = piece.part if piece else None
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


def _finding(one: FindingFound) -> FindingRow:
    return FindingRow(
        message=one.message,
        measured=_value(one.value, one.unit),
        reference=_value(one.reference, one.unit),
        weight=_db(one.weight_db),
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


def _run(run: RunShown) -> RunSheet:
    result = _parsed(run.result)
    conditions = [
        ("measured", _measured(result)),
        ("limit", _limit(result.get("limit"))),
        ("grade", _grade(result)),
        ("supply", None if run.supply_v is None else f"{run.supply_v:g} V"),
        ("ambient", None if run.ambient_c is None else f"{run.ambient_c:.4g} °C"),
        ("jig or machine", run.jig),
        ("instrument", run.instrument),
        ("remark", run.remark),
    ]
    return RunSheet(
        label=run.run,
        test=run.test,
        verdict=run.verdict,
        weight=_db(run.weight_db),
        rule=run.rule,
        reasons=(*_texts(result.get("reasons")), *_texts(result.get("notes"))),
        conditions=tuple(Row(name, value) for name, value in conditions if value),
        readings=_readings(run),
        at=instant(run.at),
        operator=run.operator,
    )


def _measured(result: dict[str, Any]) -> str | None:
    current, at_hz = result.get("current_a"), result.get("at_hz")
    if not isinstance(current, int | float):
        return None
    at = f" at {show(at_hz, 'Hz')}" if isinstance(at_hz, int | float) else ""
    return show_with_u(current, result.get("u_a"), "A") + at


def _limit(limit: object) -> str | None:
    """Return the limit with where it was read: a verdict is worth what its limit is."""
    if not isinstance(limit, dict) or not isinstance(limit.get("max_a"), int | float):
        return None
    return f"{show(limit['max_a'], 'A')}: {limit.get('what')} ({limit.get('source')})"


def _grade(result: dict[str, Any]) -> str | None:
    grade_hz = result.get("grade_hz")
    return f"{show(grade_hz, 'Hz')} ({result.get('grade_source')})" if isinstance(grade_hz, int | float) else None


def _parsed(text: str) -> dict[str, Any]:
    try:
        result = json.loads(text)
    except ValueError:
        return {}
    return result if isinstance(result, dict) else {}


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
        return show(value, unit)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:,.0f}" if abs(value) >= 1e4 else f"{value:.6g}"
    return str(value)
