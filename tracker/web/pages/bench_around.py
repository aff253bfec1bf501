"""Around the tests: the plan of a lot, runs laid side by side, and a machine's history."""

from typing import Annotated, Any

from fastapi import APIRouter, Query
from starlette.requests import Request
from starlette.responses import Response

from tracker.bench.compare import Difference
from tracker.bench.figures import show, show_with_u
from tracker.bench.traces import picture as overlay
from tracker.bench.units import quantity
from tracker.desk.bench_compare import Compared, compare_runs
from tracker.desk.bench_plan import PlanRequest, plan_lot
from tracker.desk.drawing import comparison_drawing
from tracker.desk.machine_history import MachineHistory, machine_history
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest, NoSuch
from tracker.web import needs, render
from tracker.web.bench_forms import FORMS
from tracker.web.bench_sent import in_words
from tracker.web.bench_state import state_of
from tracker.web.needs import Refused
from tracker.web.pages.bench_shown import as_attribute
from tracker.web.svg import svg

router = APIRouter(include_in_schema=False)
Runs = Annotated[list[str] | None, Query()]


@router.get("/bench/plan/{label}")
def plan(
    request: Request, workspace: needs.Opened, label: str, bad: str = "", confidence: str = "", have: str = ""
) -> Response:
    """Say which tests to run on how many pieces of a lot."""
    asked = PlanRequest(bad.strip() or None, confidence.strip() or None, have.strip() or None)
    error, found = None, None
    try:
        found = plan_lot(workspace, label, asked)
    except NoSuch:
        raise
    except BadRequest as wrong:
        if asked == PlanRequest():
            raise Refused(404, wrong.what, wrong.advice) from None
        error = in_words(wrong)
    return render.page(
        request,
        "bench_plan",
        422 if error else 200,
        error=error,
        label=label[:40],
        plan=found,
        take=dict(found.take) if found else {},
        asked={"bad": bad, "confidence": confidence, "have": have},
        titles={one.test: one.title for one in FORMS.values()},
    )


@router.get("/bench/compare")
def compare(request: Request, workspace: needs.Opened, run: Runs = None, minute: Runs = None) -> Response:
    """Lay runs side by side."""
    columns = [word for text in run or () for word in _columns(text)]
    minutes = [text for text in minute or () if text.strip()]
    found, error = None, None
    if columns:
        try:
            found = _compared(workspace, columns, minutes)
        except BadRequest as wrong:
            error = in_words(wrong)
    drawing = comparison_drawing(found.comparison) if found else None
    return render.page(
        request,
        "bench_compare",
        422 if error else 200,
        error=error,
        columns=columns,
        minutes=minutes,
        found=found,
        change=change,
        value=lambda figure: "" if figure is None else _value(figure.value, figure.u, figure.unit),
        drawing=drawing,
        plot=as_attribute(drawing),
        drawn=state_of(request).show(drawing) if drawing else "",
        lives=[(label, one) for label, one in found.lives[1:] if one is not None] if found else [],
    )


@router.get("/bench/compare.svg")
def laid_over(request: Request, workspace: needs.Opened, run: Runs = None) -> Response:
    """Draw the temperature rises of heat soaks over each other."""
    found = _compared(workspace, run or [], ())
    return svg(request, overlay(found.traces, "svg"))


def _columns(text: str) -> list[str]:
    """Return the columns of one field: 'B0001 B0002' are two, 'new regulator=B0003' is one with its title."""
    return [text.strip()] if "=" in text else text.replace(",", " ").split()


def _compared(workspace: Workspace, columns: list[str], minutes: list[str] | tuple[str, ...]) -> Compared:
    return compare_runs(workspace, columns, minutes=tuple(quantity(text, "time") / 60 for text in minutes))


def _value(value: float, u: float | None, unit: str) -> str:
    return show(value, unit) if u is None else show_with_u(value, u, unit)


def change(found: Difference | None, unit: str) -> tuple[str, str]:
    """Return a difference and its percentage with their intervals, for a person; '' where there is none."""
    if found is None:
        return "", ""
    told = _value(found.value, found.u, unit)
    if found.share is None or unit == "C":  # a temperature has no meaningful zero to be a share of
        return told.replace(" C", " K"), ""
    share = f"{100 * found.share:+.1f} %"
    if found.share_lower is None or found.share_upper is None:
        return told, share
    ends = f"{100 * found.share_lower:+.1f} to {100 * found.share_upper:+.1f}"
    return told, f"{share} ({ends}){'' if found.told_apart else ', may be none'}"


def history_values(request: Request, workspace: Workspace, machine: str) -> dict[str, Any]:
    """Return what the partial `machine_history.html.j2` asks for, for any page that includes it.

    Raises
    ------
    BadRequest
        There is no such machine.
    """
    found: MachineHistory = machine_history(workspace, machine)
    state = state_of(request)
    return {
        "history": found,
        "history_plots": [(name, one, as_attribute(one), state.show(one)) for name, one in found.drawings],
    }


@router.get("/bench/history/{label}")
def history(request: Request, workspace: needs.Opened, label: str) -> Response:
    """Show what a machine drew and how warm it got over time."""
    return render.page(request, "bench_history", **history_values(request, workspace, label))
