"""Machines: what sits where, what sat, what was measured, and what happened; and adding one before it is opened."""

from typing import Annotated

from fastapi import APIRouter, Query
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.fitting import MachineAdded, add_machine
from tracker.desk.listing import list_rows
from tracker.desk.showing import MachineShown, show
from tracker.errors import BadRequest, NoSuch
from tracker.web import needs, once, render, typed
from tracker.web.needs import Written
from tracker.web.page_words import paged_error
from tracker.web.pages.bench_around import history_values

router = APIRouter(include_in_schema=False)
PAGE = 50
"""Machines shown at once (common practice, no source)."""


@router.get("/machines")
def machines(
    request: Request, workspace: needs.Opened, after: Annotated[str | None, Query(max_length=20)] = None
) -> Response:
    """List the machines, the newest first, page by page."""
    return _list(request, workspace, typed.Values(), after=after or None)


def _list(
    request: Request,
    workspace: needs.Opened,
    values: typed.Values,
    error: BadRequest | None = None,
    after: str | None = None,
) -> Response:
    found = list_rows(workspace, "machines", reverse=True, limit=PAGE, after=after)
    status = 200 if error is None else 422
    return render.page(request, "machines", status, error=error, found=found, values=values, once=once.new())


@router.post("/machines", dependencies=[Written])
def add(request: Request, workspace: needs.Opened, operator: needs.Operator, form: typed.Form) -> Response:
    """Add a machine."""

    def do() -> str:
        added = add_machine(workspace, form.text("name"), owner=form.given("owner"), operator=operator)
        _say(request, added)
        return f"/machines/{added.machine}"

    values = typed.Values(name=form.text("name"), owner=form.text("owner"))
    return once.carried_out(request, form, do, lambda error: _list(request, workspace, values, paged_error(error)))


def _say(request: Request, added: MachineAdded) -> None:
    render.say(request, f"{added.machine} is on record: {added.name}. Measure it before anything is changed in it.")
    for note in added.notes:
        render.say(request, note)


@router.get("/machines/{label}")
def machine(request: Request, workspace: needs.Opened, label: str) -> Response:
    """Show one machine."""
    found = show(workspace, label)
    if not isinstance(found, MachineShown):
        raise NoSuch("There is no machine of this name.", "The page of machines shows those there are.")
    return render.page(
        request,
        "machine",
        machine=found,
        here_now=[one for one in found.positions if one.here],
        before=[one for one in found.positions if not one.here],
        **history_values(request, workspace, found.machine),
    )
