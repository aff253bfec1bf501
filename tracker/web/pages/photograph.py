"""Photographing a lot from the page: the phone's camera hands photos in, and the work list looks at them."""

from collections.abc import Iterator
from typing import Annotated

from fastapi import APIRouter, File, Form, UploadFile
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from tracker.desk.photo_needs import PhotoNeeds, photo_needs
from tracker.desk.photo_records import SWAB_CAUTION
from tracker.desk.tasks import NothingTaken, ask_photograph
from tracker.desk.uploads import MOST_PHOTOS, Upload
from tracker.errors import BadRequest
from tracker.web import needs, render
from tracker.web.needs import Written
from tracker.web.pages.work import STATES, part, shown

router = APIRouter()
ROLES = (
    ("top", "Tops"),
    ("bottom", "Undersides"),
    ("before-swab", "Before a swab"),
    ("after-swab", "After a swab"),
    ("listing", "The seller's picture"),
)


@router.get("/lots/{lot}/photograph", include_in_schema=False)
def ask(
    request: Request, lot: str, workspace: needs.Opened, working: needs.WorkList, role: str = "top", piece: str = ""
) -> Response:
    """Show the form; `piece` and `role` may come with the address, as from a piece's page."""
    chosen = role if role in dict(ROLES) else "top"
    return _page(request, working, photo_needs(workspace, lot), role=chosen, pieces=piece[:2000])


@router.post("/lots/{lot}/photograph", dependencies=[Written], include_in_schema=False)
def take(
    request: Request,
    lot: str,
    workspace: needs.Opened,
    working: needs.WorkList,
    operator: needs.Operator,
    photos: Annotated[list[UploadFile], File()] = [],  # noqa: B006 - FastAPI copies it
    role: Annotated[str, Form()] = "top",
    pieces: Annotated[str, Form()] = "",
) -> Response:
    """Take photos in; they are looked at in their turn."""
    try:
        task = ask_photograph(
            workspace,
            working.rows,
            lot,
            _uploads(photos),
            role=role,
            piece=pieces.replace(",", " ").replace(";", " ").split(),
            operator=operator,
        )
    except BadRequest as error:
        if not render.wants_page(request):
            return JSONResponse(_refusal(error), 422)
        return _page(request, working, photo_needs(workspace, lot), status=422, role=role, pieces=pieces, error=error)
    working.wake()
    if not render.wants_page(request):
        document = {
            "schema": "lotproof.photos-taken/1",
            "task": task.label,
            "taken": [{"name": one.name, "warnings": list(one.warnings)} for one in task.photos],
            "refused": [{"name": one.name, "what": one.what, "advice": one.advice} for one in task.refused],
            "html": part(request, shown(task), "whole"),
        }
        return JSONResponse(document)
    return render.go(f"/work/{task.label}")


def _uploads(photos: list[UploadFile]) -> Iterator[Upload]:
    for one in photos:
        if one.filename or one.size:  # a field that was left empty comes as a file without name and bytes
            yield Upload(one.filename or "", one.file)


def _refusal(error: BadRequest) -> dict[str, object]:
    refused = error.refused if isinstance(error, NothingTaken) else ()
    return {
        "schema": "lotproof.error/1",
        "what": error.what,
        "advice": error.advice,
        "refused": [{"name": one.name, "what": one.what, "advice": one.advice} for one in refused],
    }


def _page(
    request: Request,
    working: needs.WorkList,
    lot: PhotoNeeds,
    status: int = 200,
    *,
    role: str,
    pieces: str,
    error: BadRequest | None = None,
) -> Response:
    return render.page(
        request,
        "photograph",
        status,
        lot=lot,
        role=role,
        pieces=pieces,
        error=error,
        refused=error.refused if isinstance(error, NothingTaken) else (),
        roles=ROLES,
        caution=SWAB_CAUTION,
        most=MOST_PHOTOS,
        limit=request.app.state.settings.limits.photos,
        mark=working.rows.mark(),
        states=STATES,
    )
