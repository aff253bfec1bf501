"""Documents and bench results by the ten thousand: a few are made by the desk, the others are copies with other words.

Making one document takes a millisecond; a copy of one takes some microseconds. What stands in a copy is what stood in
its model, but for the names, places and numbers that are filled in.
"""

import os
import random
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from growing import METHOD, a_look, outline
from sqlalchemy import select
from stock import a_lot

from tracker.desk import keys
from tracker.desk.bench import ClockRequest, CurrentRequest, run_clock, run_current
from tracker.desk.bench_entry import Typed
from tracker.desk.bench_in_circuit import InCircuitRequest, run_in_circuit
from tracker.desk.contract import PieceDocument
from tracker.desk.fitting import add_machine
from tracker.desk.workspace import Workspace
from tracker.records.models import BenchRun, BenchSample

VARIANTS = 60
"""Different looks of each kind; more only take longer to make."""
_PHOTO, _PART, _LOT_CODE = "stands-in-photo", "STANDSINPART", "K0000"
_MARK = 987_654
"""A place in the list of a photo's chips that no photo has: replaced by the true one."""


@dataclass(frozen=True, slots=True)
class LookModel:
    """A look at a piece to be copied: the row's values, the findings' values, and the document with places to fill."""

    row: Mapping[str, Any]
    findings: tuple[Mapping[str, Any], ...]
    document: str
    marking: str
    part_read: bool

    def filled(self, photo: str, index: int, part: str, lot_code: str) -> tuple[dict[str, Any], str]:
        """Return the inspection's values and the document for a chip in a photo."""
        text = self.document.replace(_PHOTO, photo).replace(_PART, part).replace(_LOT_CODE, lot_code)
        text = text.replace(f'"index":{_MARK}', f'"index":{index}', 1)
        if index:
            text = text.replace(_place(0), _place(index))
        marking = self.marking.replace(_PART, part).replace(_LOT_CODE, lot_code)
        return {**self.row, "part_read": part if self.part_read else None, "marking": marking}, text


@cache
def look(role: str, source: str, bad: bool, variant: int) -> LookModel:
    """Return one of the looks of a kind; the same one each time."""
    rng = random.Random(f"{role} {source} {bad} {variant}")
    seen, prior_db = a_look(rng, role, 0, (_PART, source), bad=bad)
    code = seen.date_codes[0]
    read = seen.lines[1].text.split()[1] if seen.lines else _LOT_CODE
    text = PieceDocument(photo=_PHOTO, index=_MARK, piece=seen, method=METHOD).as_text()
    row = {
        "date_code": code.text,
        "date_year": code.year,
        "date_week": code.week,
        "package": seen.package,
        "suspicion": seen.suspicion,
        "prior_db": prior_db,
    }
    findings = tuple(
        {
            "code": one.code,
            "family": one.family,
            "weight_db": one.weight_db,
            "message": one.message,
            "value": one.value,
            "unit": one.unit,
            "reference": one.reference,
        }
        for one in seen.findings
    )
    return LookModel(
        row,
        findings,
        text.replace(read, _LOT_CODE),
        seen.marking.replace(read, _LOT_CODE),
        seen.part is not None,
    )


@cache
def _place(index: int) -> str:
    return "[" + ",".join(f"[{x},{y}]" for x, y in outline(index)) + "]"


@dataclass(frozen=True, slots=True)
class RunModel:
    """A bench run to be copied: the run's values without its label and subject, and its readings."""

    row: Mapping[str, Any]
    samples: tuple[Mapping[str, Any], ...]


def run_models() -> dict[tuple[str, str], RunModel]:
    """Return a run for each test and verdict, as the desk records them in a workspace of its own."""
    with (
        tempfile.TemporaryDirectory() as folder,
        _own_keys(Path(folder) / "keys"),
        Workspace.open(Path(folder) / "w", create=True) as workspace,
    ):
        return _measured(workspace)


def _measured(workspace: Workspace) -> dict[tuple[str, str], RunModel]:
    piece = a_lot(workspace).pieces[0]
    machine = add_machine(workspace, "Sampling keyboard Orrin", operator="mira").machine
    held = Typed(supply="5 V", ambient="22.5 C", jig="ZIF socket with 100 nF")
    for amount in ("2.1 mA", "9.4 mA", "5.95 mA"):
        typed = CurrentRequest(currents=(amount,), clock="1 MHz", u="0.1 mA", typed=held)
        run_current(workspace, piece, typed, operator="mira")
    for steps in (("1 MHz=pass", "2.4 MHz=pass", "3 MHz=fail"), ("0.5 MHz=pass", "1 MHz=fail"), ("1 MHz=pass",)):
        run_clock(workspace, piece, ClockRequest(pairs=steps, typed=held), operator="mira")
    for runs, known_good in ((True, None), (False, "runs"), (False, None)):
        asked = InCircuitRequest(runs=runs, duration="2 h", known_good=known_good, machine=machine, typed=held)
        run_in_circuit(workspace, piece, asked, operator="mira")
    with workspace.read() as session:
        return {(run.test, run.verdict): _model(run) for run in session.scalars(select(BenchRun))}


def _model(run: BenchRun) -> RunModel:
    own = {"id", "entry_id", "label", "piece_id", "machine_id"}
    row = {one.name: getattr(run, one.name) for one in BenchRun.__table__.columns if one.name not in own}
    named = [one.name for one in BenchSample.__table__.columns if one.name not in {"id", "entry_id", "run_id"}]
    samples = tuple({name: getattr(sample, name) for name in named} for sample in run.samples)
    return RunModel(row, samples)


@contextmanager
def _own_keys(folder: Path) -> Iterator[None]:
    """Sign with a key that goes with the folder."""
    before = os.environ.get(keys.VARIABLE)
    os.environ[keys.VARIABLE] = str(folder)
    try:
        yield
    finally:
        if before is None:
            del os.environ[keys.VARIABLE]
        else:
            os.environ[keys.VARIABLE] = before
