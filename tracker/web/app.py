"""The application: its rooms, who guards them, and what an error looks like."""

import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial
from threading import Thread

from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import Response

from tracker import __version__
from tracker.desk import picture_cache
from tracker.desk.crops import Studio
from tracker.desk.picture_cache import PictureCache
from tracker.desk.since import SaidSince
from tracker.desk.workspace import Workspace, operator_name
from tracker.errors import Damaged, LotproofError, NoSuch
from tracker.web import render, static
from tracker.web.bench_state import BenchState
from tracker.web.describe import describe
from tracker.web.door import Door, Tries
from tracker.web.guard import HEADERS, Guard
from tracker.web.held import Held
from tracker.web.idle import Idle
from tracker.web.needs import Refused
from tracker.web.once import Once
from tracker.web.pages import ROUTERS
from tracker.web.sessions import Sessions
from tracker.web.settings import Settings
from tracker.web.warm import warm
from tracker.web.working import Working

COOKIE = "lotproof_session"


def create_app(settings: Settings) -> FastAPI:
    """Return the pages of one workspace, ready to be served.

    Raises
    ------
    BadRequest
        The workspace cannot be opened.
    """
    tries = Tries()
    app = FastAPI(
        title="Lotproof",
        version=__version__,
        description="The records of one workshop. Its JSON documents are those that the commands print under --json.",
        # Their pages load scripts from elsewhere.
        docs_url=None,
        redoc_url=None,
        # Forms are taken apart before a page's own needs are looked at.
        form_limits={"max_fields": settings.limits.fields, "max_files": settings.limits.files},
        lifespan=_lifespan,
        middleware=[
            Middleware(Guard, names=settings.names, limits=settings.limits, refuse=_refuse),
            Middleware(
                Sessions,
                secret_key=settings.secret.hex(),
                session_cookie=COOKIE,
                max_age=settings.session_s,
                https_only=settings.secure,
            ),
            Middleware(Door, settings=settings, tries=tries, refuse=_refuse),
        ],
    )
    app.state.settings = settings
    app.state.tries = tries
    app.state.once = Once()
    app.state.held = Held()
    app.state.operator = operator_name(settings.operator)
    app.state.workspace = workspace = Workspace.open(settings.workspace, create=True)
    app.state.workspace_name = workspace.folder.name
    app.state.bench = BenchState()
    app.state.working = Working(workspace)
    app.state.idle = Idle(workspace)
    app.state.studio = Studio(workspace, PictureCache(picture_cache.folder()))
    app.include_router(static.router)
    for router in ROUTERS:
        app.include_router(router)
    app.openapi = partial(describe, app)  # type: ignore[method-assign]
    app.add_exception_handler(LotproofError, _explained)
    app.add_exception_handler(RequestValidationError, _not_understood)
    app.add_exception_handler(HTTPException, _of_http)
    app.add_exception_handler(Exception, _our_fault)
    return app


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    app.state.working.start()
    app.state.idle.start()
    warming = Thread(target=warm, args=(app.state.workspace,), daemon=True)
    warming.start()
    yield
    await run_in_threadpool(warming.join)
    await run_in_threadpool(app.state.idle.stop)
    await run_in_threadpool(app.state.bench.close)
    # Joins the worker, which may be writing: not here, where the server's other tasks run.
    await run_in_threadpool(app.state.working.stop)
    app.state.held.close()
    app.state.workspace.close()


def _refuse(request: Request, status: int, what: str, advice: str) -> Response:
    return render.refused(request, status, Refused(status, what, advice))


async def _explained(request: Request, error: Exception) -> Response:
    assert isinstance(error, LotproofError)
    if isinstance(error, Refused):
        status = error.status
    elif isinstance(error, NoSuch):
        status = 404
    elif isinstance(error, SaidSince):
        status = 409
    else:
        status = 503 if isinstance(error, Damaged) else 422
    return render.refused(request, status, error)


async def _not_understood(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    first = error.errors()[0] if error.errors() else {"loc": (), "msg": "not understood"}
    where = ".".join(str(part) for part in first["loc"][1:])
    what = f"What was sent for '{where}' cannot be used: {first['msg']}." if where else f"{first['msg']}."
    return render.refused(request, 422, Refused(422, what, "Nothing was changed."))


async def _of_http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    what = {404: "There is no such page.", 405: "This page does not take that kind of request."}.get(
        error.status_code, f"{error.detail}."
    )
    answer = render.refused(request, error.status_code, Refused(error.status_code, what, ""))
    for name, value in (error.headers or {}).items():
        answer.headers.setdefault(name, value)
    return answer


async def _our_fault(request: Request, error: Exception) -> Response:
    where = " It is in the terminal where Lotproof was started." if os.environ.get("LOTPROOF_DEBUG") else ""
    what = f"A fault in Lotproof itself ({type(error).__name__}).{where}"
    answer = render.refused(request, 500, Refused(500, what, "Nothing half-written is left. Report what you did."))
    # This one is answered outside of the guard.
    answer.headers.update(HEADERS)
    return answer
