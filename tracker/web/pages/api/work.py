"""The work list: what waits, what is at work, what became of it."""

from typing import Annotated

from fastapi import APIRouter, Path, Query
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.documents.work import TaskDocument, WorkDocument, task_document, work_document
from tracker.desk.tasks import MOST_SHOWN, find_task
from tracker.web import needs
from tracker.web.pages.api.common import answer, refusals

router = APIRouter(prefix="/work", tags=["work"], responses=refusals(of_one=True))
TaskLabel = Annotated[str, Path(pattern=r"^[Ww][0-9]{1,9}$", description="A task's label, such as W0007.")]
Limit = Annotated[int, Query(ge=1, le=MOST_SHOWN, description="At most this many, the newest.")]


@router.get("", response_model=WorkDocument)
def work(request: Request, working: needs.WorkList, limit: Limit = MOST_SHOWN) -> Response:
    """List the work that was asked for, the newest first."""
    return answer(request, work_document(working.rows.newest(limit)))


@router.get("/{task}", response_model=TaskDocument)
def task(request: Request, working: needs.WorkList, task: TaskLabel) -> Response:
    """Show one task, with what was recorded of its photos."""
    return answer(request, task_document(find_task(working.rows, task)))
