"""What /openapi.json says: the JSON API in full, and beside it every page there is."""

import inspect
import re
from collections.abc import Iterator, Sequence
from typing import Any

from fastapi import FastAPI, routing
from fastapi.dependencies.models import Dependant
from fastapi.openapi.utils import get_openapi
from fastapi.params import File

_TEXT = {"type": "string"}
_HTML = {"content": {"text/html": {"schema": {"type": "string"}}}}
_ANSWERS = {
    "200": {"description": "The page.", **_HTML},
    "303": {"description": "Look at the page that Location names."},
    "304": {"description": "It has not changed."},
    "4XX": {"description": "A page that says what was wrong and what to do.", **_HTML},
}
_NAMES = {
    "lot": r"^[Ll][0-9]{1,9}$",
    "piece": r"^[Ll][0-9]{1,9}-[0-9]{1,9}$",
    "machine": r"^[Mm][0-9]{1,9}$",
    "run": r"^[Bb][0-9]{1,9}$",
}


def describe(app: FastAPI) -> dict[str, Any]:
    """Return the OpenAPI description of everything an application answers to; made once."""
    if app.openapi_schema is None:
        found = get_openapi(
            title=app.title, version=app.version, description=app.description, routes=app.routes, tags=_TAGS
        )
        found["components"]["securitySchemes"] = _SCHEMES
        # Nothing of it is needed on this computer itself.
        found["security"] = [{}, {"session": []}, {"key": []}]
        for one in routing.iter_route_contexts(app.routes):
            if one.path_format is not None and not one.include_in_schema and not one.path_format.startswith("/static"):
                _add_page(found["paths"], one)
        app.openapi_schema = found
    return app.openapi_schema


_TAGS = [
    {"name": "lists", "description": "As `lotproof list --json`."},
    {"name": "one thing", "description": "As `lotproof show --json`."},
    {"name": "answers", "description": "What is asked of the records as a whole."},
    {"name": "acts", "description": "What is recorded, with one entry in the journal each."},
    {"name": "bench", "description": "Bench runs as typed."},
    {"name": "pages", "description": "For people: HTML."},
]
_SCHEMES = {
    "session": {"type": "apiKey", "in": "cookie", "name": "lotproof_session"},
    "key": {"type": "http", "scheme": "bearer", "description": "The pass key that Lotproof printed when it started."},
}


def _add_page(paths: dict[str, Any], one: routing.RouteContext) -> None:
    path, said = str(one.path_format), inspect.getdoc(one.endpoint) or ""
    if path == "/openapi.json":
        return
    asked = [*_needs(one.dependant)] if isinstance(one.original_route, routing.APIRoute) else []
    parameters: list[dict[str, Any]] = [
        {"name": name, "in": "path", "required": True, "schema": _named(name)} for name in re.findall(r"\{(\w+)", path)
    ]
    parameters += [
        {"name": name, "in": "query", "schema": _TEXT}
        for name in dict.fromkeys(q.alias for need in asked for q in need.query_params)
    ]
    for method in sorted((one.methods or set()) - {"HEAD", "OPTIONS"}):
        paths.setdefault(path, {})[method.lower()] = {
            "tags": ["pages"],
            "summary": said.partition("\n")[0],
            "operationId": f"page_{one.name}_{method.lower()}_{re.sub('[^a-z0-9]+', '_', path.lower()).strip('_')}",
            **({"parameters": parameters} if parameters else {}),
            **({"requestBody": _form(asked)} if method == "POST" else {}),
            "responses": _ANSWERS,
        }


def _needs(needed: Dependant) -> Iterator[Dependant]:
    """Give what a page asks for, and what that asks for in its turn."""
    yield needed
    for one in needed.dependencies:
        yield from _needs(one)


def _form(asked: Sequence[Dependant]) -> dict[str, Any]:
    """Return what a form holds; one with files is sent in parts."""
    fields = [field for one in asked for field in one.body_params]
    files = [field.alias for field in fields if isinstance(field.field_info, File)]
    texts = {"token": _TEXT} | {field.alias: _TEXT for field in fields if field.alias not in files}
    kind = "multipart/form-data" if files else "application/x-www-form-urlencoded"
    several = {name: {"type": "array", "items": {"type": "string", "format": "binary"}} for name in files}
    return {"content": {kind: {"schema": {"type": "object", "properties": {**texts, **several}}}}}


def _named(name: str) -> dict[str, Any]:
    return {"type": "string", **({"pattern": _NAMES[name]} if name in _NAMES else {})}
