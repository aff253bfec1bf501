"""One bench run: everything on record about it, its plot, and the file it came from."""

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.run_record import run_file, run_plot, run_record
from tracker.web import needs, render
from tracker.web.bench_forms import FORMS
from tracker.web.bench_sent import worded
from tracker.web.bench_state import state_of
from tracker.web.needs import Refused
from tracker.web.pages.bench_shown import as_attribute
from tracker.web.svg import svg

router = APIRouter(include_in_schema=False)


@router.get("/runs/{label}")
def run(request: Request, workspace: needs.Opened, label: str) -> Response:
    """Show one run."""
    record = run_record(workspace, label)
    form = FORMS.get(record.shown.test)
    return render.page(
        request,
        "run",
        record=record,
        shown=record.shown,
        worded=worded,
        plot=as_attribute(record.drawing),
        plots=[(one, as_attribute(one), state_of(request).show(one)) for one in record.beside],
        title=form.title if form else record.shown.test,
        # A machine's run can be laid beside its other ones; a piece is tested again rather.
        subject=record.piece or record.machine,
    )


@router.get("/runs/{label}/plot.svg")
def plot(request: Request, workspace: needs.Opened, label: str) -> Response:
    """Draw one run."""
    plots, key = state_of(request).plots, label.strip().upper()[:20]
    found = plots.get(key)
    if found is None:
        found = run_plot(workspace, label)
        if found is None:
            raise Refused(404, f"There is nothing to draw of {label[:40]}.")
        plots.put(key, found)  # What was recorded does not change.
    return svg(request, found)


@router.get("/runs/{label}/file")
def file(request: Request, workspace: needs.Opened, label: str) -> Response:
    """Send the table a run came from, byte for byte."""
    name, data = run_file(workspace, label)
    plain = "".join(c if c.isascii() and (c.isalnum() or c in "._-") else "_" for c in name)[-60:].lstrip(".") or "file"
    headers = {
        "content-disposition": f'attachment; filename="{label.upper()}-{plain}"',
        "content-security-policy": "default-src 'none'; sandbox",
    }
    return Response(data, media_type="application/octet-stream", headers=headers)
