"""Finding: straight to what a label names, or a list of everything a word may mean."""

from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Query
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.find import Hit, find
from tracker.web import needs, render

router = APIRouter(include_in_schema=False)
PLACES = {
    "lot": "/lots/",
    "piece": "/pieces/",
    "machine": "/machines/",
    "run": "/runs/",
    "seller": "/sellers/",
    "work": "/work/",
}
TITLES = {"lot": "Lots", "piece": "Pieces", "machine": "Machines", "run": "Runs", "seller": "Sellers", "work": "Work"}


@router.get("/find")
def look(request: Request, workspace: needs.Opened, what: Annotated[str, Query(max_length=200)] = "") -> Response:
    """Go to what a label or name means, or show what it may mean."""
    if not what.strip():
        return render.go("/lots")
    found = find(workspace, what)
    if len(found.hits) == 1:
        return render.go(page_of(found.hits[0]))
    kinds = {title: [hit for hit in found.hits if hit.kind == kind] for kind, title in TITLES.items()}
    return render.page(request, "find", found=found, kinds=kinds, page_of=page_of)


def page_of(hit: Hit) -> str:
    """Return the page of something found."""
    return PLACES[hit.kind] + quote(hit.label, safe="")
