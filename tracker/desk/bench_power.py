"""Recording the power into a machine's board and into its supply."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.bench import power
from tracker.bench.power import Measured, PowerInput, PowerResult
from tracker.bench.units import fraction, quantity
from tracker.desk.bench_entry import Typed, conditions, pair
from tracker.desk.bench_record import Outcome, Recorded, Subject, record
from tracker.desk.dossier_figures import parsed
from tracker.desk.pieces import find_machine
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.records.models import BenchRun, BenchSample


@dataclass(frozen=True, slots=True)
class PowerRequest:
    """A power run as typed: rails as '5 V=1.2 A' pairs; `within` is how well every reading is known, '2 %'."""

    rails: tuple[str, ...] = ()
    mains_voltage: str | None = None
    mains_current: str | None = None
    mains_power: str | None = None
    within: str | None = None
    limit: str | None = None
    typed: Typed = field(default_factory=Typed)


def run_power(
    workspace: Workspace, label: str, request: PowerRequest, *, operator: str | None = None
) -> Recorded[PowerResult]:
    """Record the powers of a machine as it stands now.

    Raises
    ------
    BadRequest
        There is no such machine, or anything typed cannot be used; nothing was changed.
    """
    result, read = _evaluated(request)
    held = conditions(request.typed)
    notes = (*result.cautions, *(() if request.within is not None else (power.DEFAULT_U_SOURCE,)))
    with workspace.act(operator, "bench", "") as act:
        subject = Subject(None, find_machine(act.session, label))
        return record(act, subject, Outcome("power", result, notes, held, _samples(read)))


@dataclass(frozen=True, slots=True)
class Earlier:
    """The powers of a machine when they were last recorded: the run's label and its own result."""

    run: str
    result: dict[str, Any]


def preview_power(workspace: Workspace, label: str, request: PowerRequest) -> tuple[PowerResult, Earlier | None]:
    """Return what `run_power` would find, with the machine's run before it, and record nothing.

    Raises
    ------
    BadRequest
        As in `run_power`.
    """
    result, _ = _evaluated(request)
    conditions(request.typed)
    with workspace.read() as session:
        return result, earlier_power(session, find_machine(session, label).id)


def earlier_power(session: Session, machine_id: int, before: int | None = None) -> Earlier | None:
    """Return a machine's latest power run; None where it has none.

    Parameters
    ----------
    before : int, optional
        Only of the runs before the one with this row number.
    """
    query = select(BenchRun).where(BenchRun.machine_id == machine_id, BenchRun.test == "power")
    if before is not None:
        query = query.where(BenchRun.id < before)
    run = session.scalars(query.order_by(BenchRun.id.desc()).limit(1)).first()
    return None if run is None else Earlier(run.label, parsed(run))


def _evaluated(request: PowerRequest) -> tuple[PowerResult, PowerInput]:
    share = power.DEFAULT_SHARE if request.within is None else fraction(request.within, "how well it is known")
    if share == 0:
        raise BadRequest("No reading is known exactly.", "State how well: --within '2 %'.")
    read = PowerInput(
        board=tuple(_rail(text, share) for text in request.rails),
        mains_v=_measured(request.mains_voltage, "voltage", "V", share),
        mains_a=_measured(request.mains_current, "current", "A", share),
        mains_w=_measured(request.mains_power, "power", "W", share),
    )
    limit = None if request.limit is None else quantity(request.limit, "power")
    if limit == 0:
        raise BadRequest("A limit of 0 cannot be met by anything that is measured.", "State the most that may go in.")
    return power.evaluate(read, limit_w=limit), read


def _measured(text: str | None, kind: str, unit: str, share: float) -> Measured | None:
    return None if text is None else Measured(quantity(text, kind), 0.0, unit).within(share)


def _rail(text: str, share: float) -> tuple[Measured, Measured]:
    volts, amperes = pair(text, "5 V=1.2 A")
    voltage = Measured(quantity(volts, "voltage"), 0.0, "V").within(share)
    return voltage, Measured(quantity(amperes, "current"), 0.0, "A").within(share)


def _samples(read: PowerInput) -> tuple[BenchSample, ...]:
    rails: Sequence[BenchSample] = [
        BenchSample(position=i, voltage_v=v.value, current_a=a.value, current_u_a=a.u, text="board rail")
        for i, (v, a) in enumerate(read.board, start=1)
    ]
    if read.mains_v is None and read.mains_a is None and read.mains_w is None:
        return tuple(rails)
    mains = BenchSample(
        position=len(rails) + 1,
        voltage_v=None if read.mains_v is None else read.mains_v.value,
        current_a=None if read.mains_a is None else read.mains_a.value,
        current_u_a=None if read.mains_a is None else read.mains_a.u,
        text="mains" if read.mains_w is None else f"mains, {read.mains_w.value:g} W",
    )
    return (*rails, mains)
