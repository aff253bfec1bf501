"""What a page costs the server and the wire: the first page, and a lot of 500 pieces, against the lookup alone."""

import gzip
import re
import sys
from concurrent.futures import ProcessPoolExecutor
from datetime import date
from multiprocessing import get_context
from pathlib import Path
from statistics import median
from typing import Any

from ratios import Result, always, paired, ratio

sys.path.append(str(Path(__file__).parents[1]))

from growing import Growth, grow
from page_plain import bare_app
from starlette.testclient import TestClient

from tracker.desk.due import due
from tracker.desk.listing import list_rows
from tracker.desk.showing import show
from tracker.desk.workspace import Workspace
from tracker.web.app import create_app
from tracker.web.settings import Settings

LOTS, PIECES = 3, 500
ROUNDS = 5
READS = (
    "A page as the server makes it, warm, from the request to its last byte, against the plainest lookup of what is "
    "on it by the desk alone. It holds what the page asks beside that, the template, the checks of every request, and "
    "what the client in the same process takes to send and read."
)

BARE_READS = (
    "The same page against a bare FastAPI application and one Jinja2 template that makes the same bytes from memory: "
    "no question to any record, no check of the request. Both through the same client in the same process."
)


def run(folder: Path) -> Result:
    """Time both pages, each in turn with its lookup, in a process that has done nothing else, as a server is."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as fresh:
        return fresh.submit(_run, folder).result()


def _run(folder: Path) -> Result:
    with Workspace.open(folder / "w", create=True) as workspace:
        grow(workspace, Growth(lots=LOTS, pieces=PIECES))
        app = create_app(Settings(workspace=folder / "w", operator="mira"))
        client = TestClient(app, base_url="http://127.0.0.1:8437", client=("127.0.0.1", 50000))
        today = date.today()

        def looked_up() -> None:
            due(workspace, today=today)
            list_rows(workspace, "lots")

        sides = {
            "/": looked_up,
            "/lots/L0002": lambda: show(workspace, "L0002", today=today),
        }
        ratios, lines, figures = [], [], {}
        for path, plain in sides.items():
            took = paired(always(lambda path=path: _got(client, path)), always(plain), rounds=ROUNDS, warm=2)
            ratios.append(
                ratio(f"page {path}", ours=f"GET {path}", plain="the desk's lookup alone", took=took, reads=READS)
            )
            bare = TestClient(bare_app({path: _got(client, path).text}))
            assert _got(bare, path).content == _got(client, path).content
            took = paired(
                always(lambda path=path: _got(client, path)),
                always(lambda path=path, bare=bare: _got(bare, path)),
                rounds=ROUNDS,
                warm=2,
            )
            what = "bare FastAPI + Jinja2"
            ratios.append(ratio(f"page {path}", ours=f"GET {path}", plain=what, took=took, reads=BARE_READS))
            found = _measured(client, path)
            figures[path] = found
            lines.append(
                f"{path}: {found['server_ms']:.0f} ms on the server, {found['bytes']:,} bytes "
                f"({found['gzip_bytes']:,} if packed), {found['requests']} more requests the first time"
            )
        app.state.workspace.close()
    head = f"{LOTS} lots of {PIECES} pieces; times of the server's own clock, median of {ROUNDS}"
    return Result(tuple(ratios), (head, *lines), {"pages": figures})


def _got(client: TestClient, path: str) -> Any:
    answer = client.get(path, headers={"accept": "text/html"})
    assert answer.status_code == 200, (path, answer.status_code)
    return answer


def _measured(client: TestClient, path: str) -> dict[str, Any]:
    answers = [_got(client, path) for _ in range(ROUNDS)]
    text = answers[-1].content
    more = re.findall(rb'(?:src|href)="(/(?:static|pictures)/[^"]+)"', text)
    return {
        "server_ms": median(float(one.headers["server-timing"].partition("dur=")[2]) for one in answers),
        "bytes": len(text),
        "gzip_bytes": len(gzip.compress(text)),
        "requests": len(set(more)),
    }
