"""Bench runs as typed; files and live instruments come in by the pages and the command line."""

from typing import Annotated

from fastapi import APIRouter
from pydantic import Field
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.bench import ClockRequest, CurrentRequest, run_clock, run_current
from tracker.desk.bench_curve import CurveRequest, run_curve
from tracker.desk.bench_entry import Typed
from tracker.desk.bench_in_circuit import InCircuitRequest, run_in_circuit
from tracker.desk.bench_power import PowerRequest, run_power
from tracker.desk.bench_record import Recorded, Result
from tracker.desk.bench_signature import SignatureRequest, run_signature
from tracker.desk.bench_soak import run_soak
from tracker.desk.bench_soak_entry import SoakRequest
from tracker.desk.documents.bench import (
    ClockDocument,
    CurrentDocument,
    CurveDocument,
    InCircuitDocument,
    PowerDocument,
    SignatureDocument,
    SoakDocument,
    bench_document,
)
from tracker.web import needs
from tracker.web.pages.api.common import Changes, Operator, Sent, Text, Texts, answer, refusals, who

router = APIRouter(prefix="/bench", tags=["bench"], dependencies=[Changes], responses=refusals(writing=True))
Factor = Annotated[float, Field(gt=0, le=100, allow_inf_nan=False, description="Coverage factor of the guard band.")]


class Run(Sent):
    """A run as typed: every quantity with its unit, as people write it ('96 mA', '4.2 MHz', '78.8 F')."""

    subject: Text = Field(description="A piece's or a machine's label.")
    supply: Text | None = None
    ambient: Text | None = None
    jig: Text | None = None
    instrument: Text | None = None
    remark: Text | None = None

    def typed(self) -> Typed:
        """Return the conditions."""
        return Typed(self.supply, self.ambient, self.jig, self.instrument, self.remark)


class CurrentRun(Run):
    """Supply currents at one clock rate (`currents`, `clock`) or at several (`at`: '1 MHz=12.1 mA')."""

    currents: Texts = ()
    clock: Text | None = None
    at: Texts = ()
    u: Text | None = None
    clock_u: Text | None = None
    k: Factor | None = None
    limit: Text | None = None
    limit_source: Text | None = None
    limit_clock: Text | None = None


@router.post("/current", status_code=201, response_model=CurrentDocument)
def current(request: Request, workspace: needs.Opened, operator: Operator, run: CurrentRun) -> Response:
    """Record a supply-current test; `Location` names the run."""
    asked = CurrentRequest(
        currents=run.currents,
        clock=run.clock,
        pairs=run.at,
        u=run.u,
        clock_u=run.clock_u,
        k=run.k,
        limit=run.limit,
        limit_source=run.limit_source,
        limit_clock=run.limit_clock,
        typed=run.typed(),
    )
    return _made(request, run_current(workspace, run.subject, asked, operator=who(run, operator)))


class ClockRun(Run):
    """Steps that passed or failed (`at`: '2 MHz=pass')."""

    at: Texts = ()
    grade: Text | None = None
    grade_source: Text | None = None
    grade_supply: Text | None = None
    grade_ambient: Text | None = None
    margin: Text | None = None


@router.post("/clock", status_code=201, response_model=ClockDocument)
def clock(request: Request, workspace: needs.Opened, operator: Operator, run: ClockRun) -> Response:
    """Record a clock-ceiling test; `Location` names the run."""
    asked = ClockRequest(
        pairs=run.at,
        grade=run.grade,
        grade_source=run.grade_source,
        margin=run.margin,
        grade_supply=run.grade_supply,
        grade_ambient=run.grade_ambient,
        typed=run.typed(),
    )
    return _made(request, run_clock(workspace, run.subject, asked, operator=who(run, operator)))


class SoakRun(Run):
    """A heat soak (`at`: '10 min=41.5 C', or '10 min=41.5 C, 22.4 C' with the ambient then)."""

    at: Texts = ()
    limit: Text | None = None
    limit_temp: Text | None = None
    limit_source: Text | None = None
    u: Text | None = None
    k: Factor | None = None
    aim: Text | None = None
    heat_on: Text | None = None
    cold: bool = False
    case: bool | None = Field(None, description="Whether the case was closed.")
    spots: Texts = ()
    machine: Text | None = None


@router.post("/soak", status_code=201, response_model=SoakDocument)
def soak(request: Request, workspace: needs.Opened, operator: Operator, run: SoakRun) -> Response:
    """Record a heat soak; `Location` names the run."""
    asked = SoakRequest(
        pairs=run.at,
        limit=run.limit,
        limit_temp=run.limit_temp,
        limit_source=run.limit_source,
        u=run.u,
        k=run.k,
        aim=run.aim,
        heat_on=run.heat_on,
        cold=run.cold,
        case=run.case,
        spots=run.spots,
        machine=run.machine,
        typed=run.typed(),
    )
    return _made(request, run_soak(workspace, run.subject, asked, operator=who(run, operator)))


class SignatureRun(Run):
    """Manufacturer and device code as a programmer reads them (`bytes`: '1E 95'; several are repeated readings)."""

    bytes: Texts = ()
    maker: Text | None = None


@router.post("/signature", status_code=201, response_model=SignatureDocument)
def signature(request: Request, workspace: needs.Opened, operator: Operator, run: SignatureRun) -> Response:
    """Record an electronic signature; `Location` names the run."""
    asked = SignatureRequest(readings=run.bytes, maker=run.maker, typed=run.typed())
    return _made(request, run_signature(workspace, run.subject, asked, operator=who(run, operator)))


MOST_TABLE = 500_000
"""Characters of a table of curves; a request has a million bytes at most."""


class CurveRun(Run):
    """Voltage-current curves of pins, as a table (`table`) with the columns of the file that `bench curve` takes."""

    table: Annotated[str, Field(max_length=MOST_TABLE, description="CSV: 'pin,voltage [V],current [uA]', then rows.")]
    exemplars: Texts = Field((), description="Known-good pieces or runs; every known-good piece where none is named.")
    common: Text | None = Field(None, description="The pin the sweeps were made against.")


@router.post("/curve", status_code=201, response_model=CurveDocument)
def curve(request: Request, workspace: needs.Opened, operator: Operator, run: CurveRun) -> Response:
    """Record pin curves, held against a known-good piece's; `Location` names the run."""
    asked = CurveRequest(readings=run.table, exemplars=run.exemplars, common=run.common, typed=run.typed())
    return _made(request, run_curve(workspace, run.subject, asked, operator=who(run, operator))[0])


class InCircuitRun(Run):
    """Whether a machine runs with the piece, for how long (`duration`: '2 h'), and its checks ('all keys=pass')."""

    runs: bool
    duration: Text | None = None
    machine: Text | None = None
    checks: Texts = ()
    known_good: Text | None = Field(None, description="What a known-good piece does there: runs or fails.")
    least: Text | None = None
    board_before: Texts = ()
    board_after: Texts = ()
    board_u: Text | None = None


@router.post("/in-circuit", status_code=201, response_model=InCircuitDocument)
def in_circuit(request: Request, workspace: needs.Opened, operator: Operator, run: InCircuitRun) -> Response:
    """Record whether a machine runs with the piece; `Location` names the run."""
    asked = InCircuitRequest(
        runs=run.runs,
        duration=run.duration,
        machine=run.machine,
        checks=run.checks,
        known_good=run.known_good,
        least=run.least,
        board_before=run.board_before,
        board_after=run.board_after,
        board_u=run.board_u,
        typed=run.typed(),
    )
    return _made(request, run_in_circuit(workspace, run.subject, asked, operator=who(run, operator)))


class PowerRun(Run):
    """The power a machine takes: `rails` as '5 V=1.2 A', and what was read at the mains plug."""

    rails: Texts = ()
    mains_voltage: Text | None = None
    mains_current: Text | None = None
    mains_power: Text | None = None
    within: Text | None = Field(None, description="How well every reading is known: '2 %'.")
    limit: Text | None = None


@router.post("/power", status_code=201, response_model=PowerDocument)
def power(request: Request, workspace: needs.Opened, operator: Operator, run: PowerRun) -> Response:
    """Record the power a machine takes; `Location` names the run."""
    asked = PowerRequest(
        rails=run.rails,
        mains_voltage=run.mains_voltage,
        mains_current=run.mains_current,
        mains_power=run.mains_power,
        within=run.within,
        limit=run.limit,
        typed=run.typed(),
    )
    return _made(request, run_power(workspace, run.subject, asked, operator=who(run, operator)))


def _made(request: Request, recorded: Recorded[Result]) -> Response:
    return answer(request, bench_document(recorded), 201, location=f"/api/runs/{recorded.run}")
