"""The first page: what arrived, which claims close, which tests come next."""

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.assess import TEST_NAMES
from tracker.desk.due import nothing_due
from tracker.desk.listing_ask import DISPOSITIONS
from tracker.desk.rows import LotRow
from tracker.desk.today import today as see_to
from tracker.web import needs, render

router = APIRouter()


@router.get("/", include_in_schema=False)
def today(request: Request, workspace: needs.Opened, day: needs.Today) -> Response:
    """Show what the day brings."""
    found = see_to(workspace, today=day)
    return render.page(
        request,
        "today",
        found=found,
        due=found.due,
        nothing_due="" if found.due else nothing_due(workspace),
        tests=TEST_NAMES,
        stands=stands,
    )


def stands(row: LotRow) -> str:
    """Return how a lot's pieces stand, in words."""
    counts = {word: getattr(row, word) for word in DISPOSITIONS}
    return ", ".join(f"{count} {word}" for word, count in counts.items() if count) or "no pieces"
