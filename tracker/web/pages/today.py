"""The first page: what arrived, which claims close, which tests come next."""

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.due import due, nothing_due
from tracker.desk.listing import list_rows
from tracker.desk.rows import LotRow
from tracker.web import needs, render

router = APIRouter()
MOST = 10


@router.get("/", include_in_schema=False)
def today(request: Request, workspace: needs.Opened, day: needs.Today) -> Response:
    """Show what the day brings."""
    closing = due(workspace, today=day)
    rows = [row for row in list_rows(workspace, "lots").rows if isinstance(row, LotRow)]
    return render.page(
        request,
        "today",
        due=closing[:MOST],
        nothing_due="" if closing else nothing_due(workspace),
        lots=sorted(rows, key=lambda row: (row.arrived, row.lot), reverse=True)[:MOST],
        stands=stands,
    )


def stands(row: LotRow) -> str:
    """Return how a lot's pieces stand, in words."""
    counts = {
        word: getattr(row, word) for word in ("open", "accepted", "quarantined", "rejected", "returned", "fitted")
    }
    return ", ".join(f"{count} {word}" for word, count in counts.items() if count) or "no pieces"
