"""What grows with the records: every page and every command that reads, in a workshop and in one ten times as large.

By default a hundredth of a large workshop (10 lots, 1,000 pieces, 10,000 journal entries) and a tenth of it (100 lots,
10,000 pieces, 100,000 entries). What is asked for is of the same size in both (`grown_asked.py`), so a ratio near 1
does not grow; `BAR` is what it may be. Commands start from nothing but the user's cache folder, as a new process does.
"""

import argparse
import io
import os
import shlex
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

from ratios import Result

sys.path.append(str(Path(__file__).parents[1]))

from asked import Work, worked
from growing_years import Years, grow_years
from grown_asked import GENERAL, LARGER, Names, commands, names, pages
from starlette.testclient import TestClient

from tracker.cli import main as command_line
from tracker.desk.calibration import calibration
from tracker.desk.dossier import write_dossier
from tracker.desk.export_gather import gather
from tracker.desk.kept_copy import VARIABLE as CACHE
from tracker.desk.pieces import find_lot
from tracker.desk.standing_suspicion import reckon
from tracker.desk.workspace import Workspace
from tracker.web.app import create_app
from tracker.web.settings import Settings

SMALL, LARGE = 0.01, 0.1
ROUNDS, LONG_S, BUDGET_S, ONCE_S = 3, 0.2, 0.6, 1.5
"""An answer that takes long is asked for less often, one that takes very long (a dossier with its pictures) once."""
BAR = 1.5
"""So many times as long an answer of the same rows and bytes may take in ten times the workshop; our own choice. Below
`LITTLE_S`, and below so many steps, what the processor did meanwhile says more than the ratio."""
LITTLE_S, LITTLE_STEPS, FEW = 0.005, 10_000, 3


@dataclass(frozen=True, slots=True)
class Took:
    """How long an answer took and what it asked of the database.

    Parameters
    ----------
    first_s, seconds : float
        Processor time of the first time, and the middle of the times after it.
    asked, rows, steps : int
        Questions, rows handed over, and steps of SQLite's machine, of the last time.
    size : int
        Bytes of the answer.
    """

    first_s: float
    seconds: float
    asked: int
    rows: int
    steps: int
    size: int


@dataclass
class Shop:
    """A grown workshop, open, with a person at its pages."""

    workspace: Workspace
    client: TestClient
    names: Names
    took: dict[str, Took] = field(default_factory=dict)

    def page(self, path: str) -> int:
        """Open a page; the size of it."""
        answer = self.client.get(path, headers={"accept": "text/html"})
        if answer.status_code not in (200, 303):
            raise ValueError(f"{path} answers {answer.status_code}: {answer.text[:300]}")
        return len(answer.content)

    def command(self, words: str) -> int:
        """Run a command as if in a new process, but for what is imported; the size of what it prints."""
        text = io.StringIO()
        before, sys.argv = sys.argv, ["lotproof", *shlex.split(words), "--workspace", str(self.workspace.folder)]
        try:
            with redirect_stdout(text), redirect_stderr(text):
                command_line.run()
        except SystemExit as stopped:
            if stopped.code not in (0, 1):
                raise ValueError(f"{words} ended with {stopped.code}: {text.getvalue()[-300:]}") from None
        finally:
            sys.argv = before
        return len(text.getvalue())


def others(shop: Shop) -> dict[str, Callable[[], object]]:
    """Return what takes a file, as far as it reads."""
    of, workspace = shop.names, shop.workspace
    folder = workspace.folder.parent / "written"

    def dossier(label: str, ending: str) -> object:
        return write_dossier(workspace, label, folder / f"{label}{ending}")

    def bag() -> object:
        with workspace.read() as session:
            return gather(session, find_lot(session, of.lot))

    folder.mkdir(exist_ok=True)
    return {
        "dossier PIECE (html)": lambda: dossier(of.piece, ".html"),
        "dossier PIECE (pdf)": lambda: dossier(of.piece, ".pdf"),
        "dossier LOT of 5 (html)": lambda: dossier(of.tiny, ".html"),
        "export bag LOT (what is read)": bag,
    }


def run(folder: Path) -> Result:
    """Grow both workshops and ask both for everything."""
    os.environ.setdefault(CACHE, str(folder / "cache"))
    shops = []
    for name, scale in (("small", SMALL), ("large", LARGE)):
        with opened(folder / name, scale) as shop:
            measure(shop)
        shops.append(shop)
    small, large = shops
    figures = {
        name: {"small_s": small.took[name].seconds, "large_s": one.seconds, "asked": one.asked, "steps": one.steps}
        for name, one in large.took.items()
    }
    return Result(lines=tuple(lines(shops, ("1/100", "1/10"))), figures={"answers": figures, "exceed": exceed(shops)})


@contextmanager
def opened(folder: Path, scale: float, *, grown: bool = False) -> Iterator[Shop]:
    """Give a workshop of a scale with its pages; `grown` where it is in the folder already."""
    size = Years(scale)
    if not grown:
        with Workspace.open(folder, create=True) as workspace:
            grow_years(workspace, size)
    app = create_app(Settings(workspace=folder, operator="Ida Brandt"))
    client = TestClient(app, base_url="http://127.0.0.1:8470", client=("127.0.0.1", 50000), follow_redirects=False)
    with closing(app.state.workspace) as workspace:
        reckon(workspace)
        calibration(workspace)
        yield Shop(workspace, client, names(workspace, size))


def measure(shop: Shop, only: str = "") -> None:
    """Ask a workshop for everything whose name holds a text."""
    asked: dict[str, Callable[[], object]] = {}
    for name, path in zip(pages(GENERAL), pages(shop.names), strict=True):
        asked[name] = lambda path=path: shop.page(path)
    for name, words in zip(commands(GENERAL), commands(shop.names), strict=True):
        asked[name.replace("'", "")] = lambda words=words: shop.command(words)
    asked |= others(shop)
    for name, ask in asked.items():
        if only in name:
            shop.took[name] = _timed(ask)


def _timed(ask: Callable[[], object]) -> Took:
    with worked() as work:
        begun = time.process_time()
        size = ask()
        first = time.process_time() - begun
    if first > ONCE_S:
        return Took(first, first, *_asked(work), size if isinstance(size, int) else 0)
    took: list[float] = []
    while len(took) < ROUNDS and not (took and (took[0] > LONG_S or sum(took) > BUDGET_S)):
        took.append(_seconds(ask))
    with worked() as work:
        size = ask()
    return Took(first, median(took), *_asked(work), size if isinstance(size, int) else 0)


def _asked(work: Work) -> tuple[int, int, int]:
    return len(work.statements), work.rows, work.steps


def _seconds(ask: Callable[[], object]) -> float:
    begun = time.process_time()
    ask()
    return time.process_time() - begun


def over(before: Took, now: Took) -> str:
    """Say in what an answer grows by more than the bar allows; '' where in nothing."""
    found = []
    # A larger workshop fills pages that a small one cannot: a row of an answer may cost the same as before.
    may = BAR * max(1.0, now.rows / max(before.rows, 1), now.size / max(before.size, 1))
    if now.seconds > LITTLE_S and now.seconds > may * before.seconds:
        found.append("time")
    if now.asked > before.asked + FEW:
        found.append("questions")
    if now.steps > LITTLE_STEPS and now.steps > may * before.steps:
        found.append("looked at")
    return ", ".join(found)


def exceed(shops: Sequence[Shop]) -> dict[str, str]:
    """Return what exceeds the bar between the last two workshops, and in what."""
    small, large = shops[-2:]
    found = {name: over(small.took[name], one) for name, one in large.took.items()}
    return {name: text for name, text in found.items() if text}


def lines(shops: Sequence[Shop], titles: Sequence[str]) -> Iterator[str]:
    """Yield the table, what grows most first, and what exceeds the bar."""
    yield (
        f"{'':48}"
        + "".join(f"{title:>10}" for title in titles)
        + f"{'ratio':>7}{'asked':>10}{'rows':>14}{'steps/1000':>18}"
    )
    small, large = shops[-2:]
    for name, now in sorted(large.took.items(), key=lambda one: small.took[one[0]].seconds - one[1].seconds):
        took = [shop.took[name] for shop in shops]
        before = took[-2]
        times = "".join(f"{1000 * one.seconds:>7.1f} ms" for one in took)
        asked, rows = (f"{getattr(before, one)} {getattr(now, one)}" for one in ("asked", "rows"))
        steps = f"{before.steps // 1000} {now.steps // 1000}"
        yield f"{name[:47]:48}{times}{now.seconds / before.seconds:>7.2f}{asked:>10}{rows:>14}{steps:>18}"
    yield "Milliseconds of processor time, the middle of some; asked, rows, steps: questions to the database, rows"
    yield "it handed over and thousands of steps it took, in the smaller workshop and in the larger one."
    beyond = exceed(shops)
    yield f"Bar: {BAR} times for ten times the workshop; {len(large.took) - len(beyond)} of {len(large.took)} meet it."
    for name, text in beyond.items():
        yield f"exceeds: {name} ({text})" + (f": {LARGER[name]}" if name in LARGER else "")


def unasked(shop: Shop) -> list[str]:
    """Return the pages that nothing here opens."""
    from tracker.web.pages import ROUTERS

    asked = [path.partition("?")[0] for path in pages(shop.names)]
    routes = [one for router in ROUTERS for one in router.routes if "GET" in (getattr(one, "methods", None) or ())]
    return [one.path for one in routes if not any(one.path_regex.fullmatch(path) for path in asked)]  # type: ignore[attr-defined]


def main() -> None:
    """Measure workshops that are there already: `python tests/bench/grown.py FOLDER ...`, from small to large."""
    parser = argparse.ArgumentParser(description="What grows, in workshops that are there already.")
    parser.add_argument("folders", nargs="+", type=Path, help="from small to large")
    parser.add_argument("--only", default="", help="what has this in its name")
    asked = parser.parse_args()
    shops: list[Shop] = []
    for folder in asked.folders:
        with opened(folder, SMALL, grown=True) as shop:
            measure(shop, asked.only)
            shops.append(shop)
    print(f"Not opened: {', '.join(unasked(shops[-1]))}")
    print("\n".join(lines(shops, [folder.name for folder in asked.folders])))


if __name__ == "__main__":
    main()
