"""The journal as a person reads it, and whether everything still is as it was recorded."""

from typing import Annotated

from fastapi import APIRouter, Query
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.log import in_words, journal_state, read_log
from tracker.desk.verify import verify
from tracker.errors import BadRequest
from tracker.web import needs, render, typed
from tracker.web.needs import Written

router = APIRouter(include_in_schema=False)
A_PAGE = 50
LARGEST_HERE = 2_000_000_000
"""Bytes of evidence that are checked while a page waits: about ten to twenty seconds on two slow cores (measured for
the taking in of bags). What is larger is checked on the command line."""


@router.get("/log")
def log(
    request: Request,
    workspace: needs.Opened,
    label: Annotated[str, Query(max_length=60)] = "",
    before: Annotated[int | None, Query(ge=1, le=10**15)] = None,
) -> Response:
    """Show the journal, the newest first."""
    subject = label.strip() or None
    found = read_log(workspace, subject, limit=A_PAGE + 1, before=before)
    newest = list(reversed(found.entries))
    page, more = newest[:A_PAGE], len(newest) > A_PAGE
    state = journal_state(workspace)
    return render.page(
        request,
        "log",
        entries=page,
        in_words=in_words,
        found=found.found,
        label=label,
        before=before,
        older=page[-1].entry if more else None,
        state=state,
        too_large=state.kept_bytes > LARGEST_HERE,
    )


@router.post("/log/verify", dependencies=[Written])
def check(request: Request, workspace: needs.Opened, form: typed.Form) -> Response:
    """Check everything now. Nothing is recorded, so the answer stands on this page itself."""
    if journal_state(workspace).kept_bytes > LARGEST_HERE:
        what = "There is too much evidence to be checked while a page waits."
        return render.page(
            request, "verify", 422, error=BadRequest(what, "Run: lotproof verify"), report=None, against=""
        )
    against = form.text("against")
    try:
        report = verify(workspace, against=against or None)
    except BadRequest as error:
        return render.page(request, "verify", 422, error=error, report=None, against=against)
    return render.page(request, "verify", report=report, against=against)
