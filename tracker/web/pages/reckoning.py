"""What presses and what pays: claim windows, the next bench tests, and the costs they are reckoned with."""

from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Query
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.claim import write_statement
from tracker.desk.costs import CostsRequest, set_costs, show_costs
from tracker.desk.due import MOST_SHOWN, due_page, nothing_due, soonest_first
from tracker.desk.next_test import NextTests, next_tests
from tracker.desk.pieces import plain_label
from tracker.errors import BadRequest, NoSuch
from tracker.web import files, needs, once, render, typed
from tracker.web.needs import Written
from tracker.web.page_words import paged_error

router = APIRouter(include_in_schema=False)


@router.get("/due")
def windows(
    request: Request,
    workspace: needs.Opened,
    day: needs.Today,
    after: Annotated[str | None, Query(max_length=60)] = None,
) -> Response:
    """Show the claim windows that close, page by page."""
    found = due_page(workspace, today=day, limit=MOST_SHOWN, after=after or None)
    closing = soonest_first(found.due)
    nothing = "" if found.found else nothing_due(workspace)
    return render.page(request, "due", due=closing, found=found, nothing_due=nothing)


@router.get("/due/{label}/statement")
def statement(workspace: needs.Opened, day: needs.Today, label: str) -> Response:
    """Give the draft of a claim statement with the pictures to enclose."""
    lot = plain_label(label)

    def make(folder: Path) -> Path:
        written = write_statement(workspace, lot, folder / "statement", today=day)
        return files.zipped(written.files, folder / "statement.zip", folder / "statement")

    return files.made(make, f"{_safe(lot)}-statement.zip")


def _safe(label: str) -> str:
    return label if label.replace("-", "").isalnum() and label.isascii() else "lot"


@router.get("/next")
def coming(
    request: Request,
    workspace: needs.Opened,
    day: needs.Today,
    what: Annotated[str, Query(max_length=60)] = "",
    minutes: Annotated[str, Query(max_length=20)] = "",
    everything: Annotated[str, Query(alias="all", max_length=3)] = "",
) -> Response:
    """Say which bench tests to do next; in a large workshop among some of the lots, or all when asked."""
    found: NextTests | None = None
    error: BadRequest | None = None
    try:
        given = minutes.strip() or None
        found = next_tests(workspace, what.strip() or None, minutes=given, today=day, everything=bool(everything))
    except BadRequest as wrong:
        error = wrong
    status = 200 if error is None else 404 if isinstance(error, NoSuch) else 422
    return render.page(request, "next_tests", status, error=error, found=found, what=what, minutes=minutes)


@router.get("/costs")
def costs(request: Request, workspace: needs.Opened) -> Response:
    """Show what wrong decisions and bench time cost here."""
    return _costs(request, workspace, typed.Values())


def _costs(
    request: Request, workspace: needs.Opened, values: typed.Values, error: BadRequest | None = None
) -> Response:
    status = 200 if error is None else 422
    now = show_costs(workspace)
    return render.page(request, "costs", status, error=error, now=now, values=values, once=once.new())


@router.post("/costs", dependencies=[Written])
def say_costs(request: Request, workspace: needs.Opened, operator: needs.Operator, form: typed.Form) -> Response:
    """Say what wrong decisions and bench time cost here."""

    def do() -> str:
        set_costs(workspace, _asked(form, tuple(show_costs(workspace).tests)), operator=operator)
        render.say(request, "From now on the next tests are reckoned with this.")
        return "/costs"

    kept = typed.Values({name: form.text(name) for name in form.form if name not in ("token", "once")})
    return once.carried_out(request, form, do, lambda error: _costs(request, workspace, kept, paged_error(error)))


def _asked(form: typed.Form, tests: tuple[str, ...]) -> CostsRequest:
    times = []
    for name in tests:
        set_up, each = form.text(f"setup-{name}"), form.text(f"each-{name}")
        if set_up or each:
            times.append(f"{name}={set_up}+{each}")
    asked = CostsRequest(
        form.given("fit_bad"),
        form.given("reject_good"),
        form.given("minute"),
        tuple(times),
        form.ticked("declared"),
        form.given("reason"),
    )
    if not asked.says_something:
        raise BadRequest("Nothing was changed.", "Fill in what is otherwise here; what stays empty stays as it is.")
    return asked
