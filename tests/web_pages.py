"""What tests of the pages share: a client that fills in forms, a real server, a real browser that stays at home.

The fixture `browser` is in tests/conftest.py.
"""

import os
import re
import shutil
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from fastapi import FastAPI
from starlette.requests import Request
from starlette.testclient import TestClient

from tracker.web import needs
from tracker.web.app import create_app
from tracker.web.serving import configured
from tracker.web.settings import Limits, Settings

CHROMIUM = os.environ.get("LOTPROOF_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
NO_BROWSER = "no Chromium on this machine (Debian: apt-get install chromium)"
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
DESKTOP = {"width": 1280, "height": 900}
PHONE = {"width": 390, "height": 844}
HOSTILE = (
    "'\"><script>alert(1)</script>",
    "\x00",
    "%",
    "-1",
    "1e309",
    "nan",
    "../..",
    "𝕏" * 60,
    "x" * 5000,
    "0x1",
    "L0001-",
)
"""What a page must bear in any of its parameters."""
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
"""Tags of axe-core's rules for WCAG 2.2 AA, and what it holds for good practice beside."""
_TOKEN = re.compile(r'name="lotproof-token" content="([^"]+)"')


_ROUTES: dict[Limits, FastAPI] = {}


def made(settings: Settings, today: date | None = None) -> FastAPI:
    """Return the pages of a workspace; what FastAPI works out of the routes is worked out once for all of a kind.

    It does so at the first request of each app, in a third of a second: a third of the time of these tests.
    """
    app = create_app(settings)
    app.state.today = today
    # The routes ask the app that they were made for what stands in for a need; the day is each app's own.
    first = _ROUTES.setdefault(settings.limits, app)
    first.dependency_overrides[needs._today] = _day
    app.router.routes[:] = first.router.routes
    return app


def _day(request: Request) -> date:
    return request.app.state.today or needs._today()


class Pages:
    """A person at the pages of one workspace: gets pages, sends forms with the token of the page before."""

    def __init__(
        self, workspace: Path, address: str = "127.0.0.1", *, today: date | None = None, **settings: Any
    ) -> None:
        self.settings = Settings(workspace=workspace, operator=settings.pop("operator", "Ida Brandt"), **settings)
        self.app = made(self.settings, today)
        self.client = TestClient(
            self.app,
            base_url=f"http://127.0.0.1:{self.settings.port}",
            client=(address, 50000),
            follow_redirects=False,
            raise_server_exceptions=True,
        )

    def get(self, path: str, **more: Any) -> Any:
        return self.client.get(path, headers={"accept": "text/html", **more.pop("headers", {})}, **more)

    def text(self, path: str) -> str:
        """Return a page that must be there."""
        answer = self.get(path)
        assert answer.status_code == 200, (path, answer.status_code, answer.text[:600])
        return str(answer.text)

    @property
    def token(self) -> str:
        found = _TOKEN.search(self.text("/phone"))
        assert found is not None
        return found[1]

    def post(self, path: str, form: Mapping[str, Any] | None = None, **more: Any) -> Any:
        """Send a form as the page would."""
        return self.client.post(
            path,
            data={"token": self.token, **(form or {})},
            headers={"accept": "text/html", **more.pop("headers", {})},
            **more,
        )

    def close(self) -> None:
        self.app.state.workspace.close()


@contextmanager
def serving(workspace: Path, **settings: Any) -> Iterator[str]:
    """Serve a workspace on a free port of the loopback; gives its address."""
    app = made(Settings(workspace=workspace, operator="Ida Brandt", **settings))
    server = uvicorn.Server(configured(app, host="127.0.0.1", port=0))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    last = time.monotonic() + 20
    while not server.started:
        assert thread.is_alive(), "the server did not start"
        assert time.monotonic() < last, "the server did not start in 20 s"
        time.sleep(0.02)
    try:
        yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(20)
        assert not thread.is_alive(), "the server did not end in 20 s"


def open_browser() -> Iterator[Any]:
    """Yield a Chromium; skips the test where there is none."""
    if CHROMIUM is None:
        pytest.skip(NO_BROWSER)
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield opened
        opened.close()


@contextmanager
def visiting(browser: Any, address: str, **context: Any) -> Iterator[Any]:
    """Give a browser page on a served workspace; a request to anywhere else, or an error of a script, fails the test.

    `context` are Playwright's own words: viewport, java_script_enabled, color_scheme, has_touch.
    """
    room = browser.new_context(base_url=address, **{"viewport": DESKTOP, **context})
    elsewhere: list[str] = []
    errors: list[str] = []

    def look(request: Any) -> None:
        if not request.url.startswith((address, "blob:", "data:", "about:")):
            elsewhere.append(request.url)

    page = room.new_page()
    page.set_default_timeout(15000)
    page.on("request", look)
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda line: errors.append(line.text) if "Content Security Policy" in line.text else None)
    try:
        yield page
    finally:
        room.close()
    assert not elsewhere
    assert not errors


def unfit_for(page: Any) -> list[str]:
    """Return what axe-core finds against WCAG 2.2 AA on a browser's page as it now is."""
    from axe_playwright_python.sync_playwright import Axe

    faults = []
    for one in Axe().run(page, options={"runOnly": {"type": "tag", "values": WCAG}}).response["violations"]:
        where = "; ".join(node["html"][:160] for node in one["nodes"][:3])
        faults.append(f"{one['id']} ({one['impact']}, {len(one['nodes'])}x): {where}")
    return faults


def too_wide(page: Any) -> int:
    """Return by how many pixels a browser's page is wider than the screen."""
    found: int = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    return max(found, 0)
