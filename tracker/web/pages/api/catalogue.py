"""The page that says what the API has, drawn from the same description that programs read."""

from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from tracker.web import render

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing that can be asked for; `try_it` where it needs nothing more than its address."""

    method: str
    path: str
    what: str
    answer: str
    try_it: bool


@router.get("/api")
def catalogue(request: Request) -> Response:
    """Say what the API has."""
    return render.page(request, "api", entries=entries(request.app.openapi()))


def entries(described: dict[str, Any]) -> list[Entry]:
    """Return what the API has, in the order of the description."""
    return [
        Entry(
            method.upper(),
            path,
            one["description"].partition("\n")[0],
            _schema(described, one),
            method == "get" and "{" not in path and path != "/api/recall",
        )
        for path, methods in described["paths"].items()
        if path.startswith("/api/")
        for method, one in methods.items()
    ]


def _schema(described: dict[str, Any], one: dict[str, Any]) -> str:
    made = next(one["responses"][status] for status in ("201", "200") if status in one["responses"])
    name = made["content"]["application/json"]["schema"]["$ref"].rpartition("/")[2]
    return str(described["components"]["schemas"][name]["properties"]["schema"]["const"])
