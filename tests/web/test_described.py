"""The API keeps to its own description whatever is sent: Schemathesis makes requests from it, right and wrong ones.

Seeded by Hypothesis' derandomize and bounded by counts, so that each run asks the same.
"""

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    negative_data_rejection,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)
from starlette.testclient import TestClient
from web_pages import Pages
from web_workshop import prepared  # noqa: F401

from tracker.web.app import COOKIE

TAGS = ("lists", "one thing", "answers", "acts", "bench")
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
]
EXAMPLES = 12
"""Requests of one kind to one operation; with 28 operations and three kinds about a thousand."""
PAGE_EXAMPLES = 2
"""The same for each page."""
REAL = {"lot": "L0002", "piece": "L0002-04", "machine": "M0001", "run": "B0001", "subject": "L0002-04"}


@pytest.fixture(scope="module")
def described(prepared: Path, tmp_path_factory: pytest.TempPathFactory) -> Any:  # noqa: F811
    """Give the description as Schemathesis reads it, with the application that answers."""
    folder = tmp_path_factory.mktemp("schema") / "w"
    shutil.copytree(prepared, folder)
    pages = Pages(folder, names=("testserver", "localhost"))  # what its client sends as Host

    async def without_end(scope: Any, receive: Any, send: Any) -> None:
        # Its client starts and ends the application around each request, and the end of ours closes the workspace.
        if scope["type"] != "lifespan":
            await pages.app(scope, receive, send)

    yield schemathesis.openapi.from_asgi("/openapi.json", without_end)
    pages.close()


def _ask(
    operation: Any,
    mode: GenerationMode,
    checks: list[Any],
    change: Callable[[Any], None],
    examples: int = EXAMPLES,
) -> None:
    @settings(
        max_examples=examples,
        derandomize=True,
        database=None,
        deadline=None,
        phases=(Phase.generate,),  # what fails is reported as it was found: shrinking takes minutes
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy(generation_mode=mode))
    def one(case: Any) -> None:
        change(case)
        case.call_and_validate(checks=checks)

    one()


def _operations(described: Any, tag: str) -> list[Any]:
    found = [one.ok() for one in described.include(tag=tag).get_all_operations()]
    assert found
    return found


def _few(case: Any) -> None:
    """Let lots be small: what comes after reckons with all their pieces."""
    for name in ("quantity", "received"):
        if isinstance(case.body, dict) and isinstance(case.body.get(name), int):
            case.body[name] = min(case.body[name], 20)


def _real(case: Any) -> None:
    """Name things that are there, so that what follows is reached."""
    for name in case.path_parameters or {}:
        case.path_parameters[name] = REAL.get(name, case.path_parameters[name])
    _few(case)
    if isinstance(case.body, dict):
        case.body.update({name: REAL[name] for name in ("piece", "subject") if name in case.body})
        if "pieces" in case.body:
            case.body["pieces"] = [REAL["piece"]]


@pytest.mark.parametrize("tag", TAGS)
def test_what_fits_the_description_is_answered_by_it(tag: str, described: Any) -> None:
    for operation in _operations(described, tag):
        _ask(operation, GenerationMode.POSITIVE, CHECKS, _few)


@pytest.mark.parametrize("tag", ["one thing", "acts", "bench"])
def test_so_is_what_names_things_that_are_there(tag: str, described: Any) -> None:
    for operation in _operations(described, tag):
        _ask(operation, GenerationMode.POSITIVE, CHECKS, _real)


@pytest.mark.parametrize("tag", TAGS)
def test_what_does_not_fit_is_refused_by_it(tag: str, described: Any) -> None:
    for operation in _operations(described, tag):
        if operation.path not in ("/api/token", "/api/calibration", "/api/costs"):  # nothing to get wrong there
            _ask(operation, GenerationMode.NEGATIVE, [*CHECKS, negative_data_rejection], _few)


def test_pages_answer_whatever_is_asked_of_them(described: Any) -> None:
    client = TestClient(described.app, base_url="http://testserver")
    token = client.get("/api/token").json()["token"]
    sent = {"cookie": f"{COOKIE}={client.cookies[COOKIE]}", "x-lotproof-token": token}

    def with_token(case: Any) -> None:
        _real(case)
        case.headers = {**(case.headers or {}), **sent}

    for operation in _operations(described, "pages"):
        if operation.path != "/work/events":  # a stream has no end
            for change in (_few, with_token):
                _ask(operation, GenerationMode.POSITIVE, [not_a_server_error], change, PAGE_EXAMPLES)


def test_the_description_is_sound(described: Any) -> None:
    whole = described.raw_schema
    assert whole["openapi"].startswith("3.1")
    for name, schema in whole["components"]["schemas"].items():
        jsonschema_rs.meta.validate(schema)  # OpenAPI 3.1 schemas are JSON Schema 2020-12
        assert schema.get("description") or name.endswith("Error"), name
    ids = [one["operationId"] for methods in whole["paths"].values() for one in methods.values()]
    assert len(ids) == len(set(ids))
