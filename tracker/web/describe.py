"""What /openapi.json says: the JSON API in full, and beside it every page there is."""

import inspect
import re
from typing import Any

from fastapi import FastAPI, routing
from fastapi.openapi.utils import get_openapi

_HTML = {"content": {"text/html": {"schema": {"type": "string"}}}}
_FORM = {"content": {"application/x-www-form-urlencoded": {"schema": {"type": "object"}}}}
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
    parameters = [
        {"name": name, "in": "path", "required": True, "schema": _named(name)}
        for name in re.findall(r"\{(\w+)\}", path)
    ]
    for method in sorted((one.methods or set()) - {"HEAD", "OPTIONS"}):
        paths.setdefault(path, {})[method.lower()] = {
            "tags": ["pages"],
            "summary": said.partition("\n")[0],
            "operationId": f"page_{one.name}_{method.lower()}_{re.sub('[^a-z0-9]+', '_', path.lower()).strip('_')}",
            **({"parameters": parameters} if parameters else {}),
            **({"requestBody": _FORM} if method == "POST" else {}),
            "responses": _ANSWERS,
        }


def _named(name: str) -> dict[str, Any]:
    return {"type": "string", **({"pattern": _NAMES[name]} if name in _NAMES else {})}
