"""What is broken at every point: one workshop, and every use-case that writes, as a person or the pages do it."""

import importlib
import io
import os
import pkgutil
import shutil
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from datetime import UTC, date, datetime
from functools import cache, partial
from pathlib import Path

import pytest
from bags import full_lot
from fault_points import Ran, Strike, broken
from scpi_server import scpi_server
from sqlalchemy import select
from staged import Stage, chip, picture
from stock import a_lot

import tracker
from tracker.desk import photograph as photographing
from tracker.desk.tidy import tidy
from tracker.desk.verify import Report, verify
from tracker.desk.workspace import Workspace
from tracker.errors import LotproofError
from tracker.instruments.log import Log
from tracker.instruments.reading import Read
from tracker.instruments.scpi import QUANTITIES
from tracker.records.models import JournalEntry

CURVES = "pin,V,uA\n" + "".join(f"{pin},{v / 10},{100 * v}\n" for pin in (1, 2) for v in range(-8, 9))
SOAK = "time_min,temp_c,ambient_c\n" + "".join(
    f"{minute},{22 + 20 * (1 - 0.9**minute):.2f},22\n" for minute in range(40)
)
DELIVERY = (
    "seller,part,quantity,source,order\n"
    "Brightwell Brokerage,CV6522AP,2,broker,D-1\nBrightwell Brokerage,HDS27C256-15,2,broker,D-2\n"
)


@dataclass(frozen=True, slots=True)
class Case:
    """One use-case.

    Parameters
    ----------
    words : tuple of str
        What is typed after `lotproof`; empty where `work` is called instead.
    act : str
        The act it records, '' where it records none.
    made : tuple of str
        Files it makes, relative to the shop, each whole or not there.
    known_again : bool
        Done a second time it adds nothing to the records.
    """

    name: str
    words: tuple[str, ...] = ()
    work: Callable[[Path], int | None] | None = None
    act: str = ""
    made: tuple[str, ...] = ()
    known_again: bool = False
    empty: bool = False
    """Carried out where there is no workspace yet."""
    prepare: Callable[[Path], None] = lambda shop: None

    def __str__(self) -> str:
        return self.name


@cache
def everything() -> None:
    """Import every module once, so that a child imports none."""
    for found in pkgutil.walk_packages(tracker.__path__, "tracker."):
        if not found.name.endswith((".env", "__main__")):
            importlib.import_module(found.name)
    for name in ("alembic.command", "fsspec.implementations.local", "sqlalchemy.dialects.sqlite", "typst", "pyvisa_py"):
        importlib.import_module(name)


def build(folder: Path, template: Path, foreign: Path, database: str = "") -> Path:
    """Make the shop: a workspace with a lot that went all the way, this bench's keys, papers and tables on the desk.

    Parameters
    ----------
    template : Path
        An empty workspace.
    foreign : Path
        A bag of another workshop.
    database : str, optional
        Address of an empty PostgreSQL database, in the place of `template`.
    """
    if database:
        (folder / "w").mkdir(parents=True)
        (folder / "w" / "workspace.toml").write_text(f'database = "{database}"\n', encoding="utf-8")
        Workspace.open(folder / "w", create=True).close()
    else:
        shutil.copytree(template, folder / "w")
    desk = folder / "desk"
    shutil.copytree(foreign, desk / "foreign")
    stage = Stage({}, [])
    with pytest.MonkeyPatch.context() as patch, Workspace.open(folder / "w") as workspace:
        patch.setenv("LOTPROOF_KEYS", str(folder / "keys"))
        patch.setattr(photographing, "look", stage.look)
        full_lot(workspace, desk, stage)  # three pieces, two of them photographed
        a_lot(workspace, order="Q-8", part="HDS27C256-15", arrived=date(2026, 1, 5))
    for name, text in (
        ("paper.pdf", "%PDF-1.4 an invoice"),
        ("letter.txt", "a letter"),
        ("delivery.csv", DELIVERY),
        ("curves.csv", CURVES),
        ("soak.csv", SOAK),
        ("clock.csv", "clock_hz,passed\n1e6,1\n2e6,1\n3e6,0\n"),
    ):
        (desk / name).write_text(text, encoding="utf-8")
    picture(desk, "new.png", shade=60)
    (folder / "home").mkdir()
    return folder


def carry_out(case: Case, shop: Path, strike: Strike = None, *, spare: Path | None = None) -> Ran:
    """Carry out a use-case in a child, and break it."""
    everything()
    return broken(partial(_child, case, shop), shop, strike, spare=spare)


def command(shop: Path, *words: str, strike: Strike = None) -> Ran:
    """Run the command line in a child."""
    return carry_out(Case("command", words), shop, strike)


def _child(case: Case, shop: Path) -> int | None:
    place = shop / ("none" if case.empty else "w")
    os.environ.update(LOTPROOF_WORKSPACE=str(place), LOTPROOF_KEYS=str(shop / "keys"), LOTPROOF_OPERATOR="mira")
    os.environ["HOME"] = str(shop / "home")
    os.chdir(shop / "desk")
    stage = Stage({}, [])
    stage.put(shop / "desk" / "new.png", chip("CV6522AP", "8914"))
    stage.put(shop / "desk" / "lot.png", chip("CV6522AP", "8914"), chip("CV6522AP", "8914", at=(20, 100)))
    photographing.look = stage.look  # type: ignore[assignment]
    if case.work is not None:
        try:
            return case.work(shop)
        except LotproofError as error:
            print(f"lotproof: {error}", file=sys.stderr)
            return int(error.exit_code)
    _lotproof(*case.words)
    return None


def _lotproof(*words: str) -> None:
    from tracker.cli import main

    sys.argv = ["lotproof", *words]
    main.run()


def _hand_in(shop: Path) -> None:
    from tracker.desk.task_rows import TaskRows
    from tracker.desk.tasks import ask_photograph
    from tracker.desk.uploads import Upload

    with Workspace.open(shop / "w") as workspace:
        rows = TaskRows(workspace.folder)
        sent = [Upload("new.png", io.BytesIO((shop / "desk" / "new.png").read_bytes()))]
        print(ask_photograph(workspace, rows, "L0001", sent, operator="mira").label, flush=True)
        rows.close()


def _work_off(shop: Path) -> None:
    from tracker.desk.task_rows import TaskRows
    from tracker.desk.task_worker import Worker
    from vision.crew import Crew

    with Workspace.open(shop / "w") as workspace:
        rows = TaskRows(workspace.folder)
        Worker(workspace, rows, hands=lambda: nullcontext(Crew())).work_off()
        print(rows.every()[0].state, flush=True)
        rows.close()


def _ask_for_bag(shop: Path) -> None:
    from tracker.desk.task_rows import TaskRows
    from tracker.desk.tasks import ask_export

    with Workspace.open(shop / "w") as workspace:
        rows = TaskRows(workspace.folder)
        ask_export(workspace, rows, "L0001", operator="mira")
        rows.close()


def _pass_key(shop: Path) -> None:
    from tracker.web.serving import PASS_KEY, _kept

    print(_kept(PASS_KEY, "a-pass-key"), flush=True)


def _read_live(shop: Path) -> None:
    with scpi_server(["0.0961", "0.0962", "0.0963"]) as server:
        words = ("current", "L0001-01", "--clock", "2 MHz", "--count", "3", "--every", "10 ms", "--read")
        _lotproof("bench", *words, server.resource)


def _leave_spool(shop: Path) -> None:
    (shop / "w" / "spool").mkdir()
    path = shop / "w" / "spool" / "read-20310401T000000.000000Z-1.csv"
    with Log(path, QUANTITIES["current"], 2e6) as log:
        log.add(Read(0.0, datetime.now(UTC), 0.096, 0.0001, ""))
    then = time.time() - 5 * 86_400
    os.utime(path, (then, then))


def _leave_orphans(shop: Path) -> None:
    with Workspace.open(shop / "w") as workspace:
        workspace.store.keep(b"of an act that was killed")
    (shop / "w" / "evidence" / "unfinished-0123456789abcdef").write_bytes(b"half")


BENCH = (
    ("current", ("L0001-01", "--at", "1 MHz=12.1 mA", "--at", "2 MHz=13.0 mA", "--u", "0.2 mA")),
    ("clock", ("L0001-01", "--from", "clock.csv")),
    ("soak", ("L0001-01", "--from", "soak.csv", "--limit", "45 K", "--case")),
    ("signature", ("L0002-01", "--bytes", "89 8C")),
    ("curve", ("L0001-01", "--from", "curves.csv", "--common", "14")),
    ("in-circuit", ("L0001-01", "--runs", "--for", "45 min")),
    ("power", ("M0001", "--rail", "5 V=1.2 A", "--mains-power", "16.2 W")),
)
RECEIVE = ("receive", "--seller", "Quayside Surplus", "--source", "marketplace", "--part", "CV6522AP", "--quantity=3")
CASES = (
    Case("receive", (*RECEIVE, "--order", "Q-9", "--document", "invoice=paper.pdf"), act="receive", known_again=True),
    Case(
        "begin",
        (*RECEIVE, "--order", "Q-9", "--document", "invoice=paper.pdf"),
        act="receive",
        known_again=True,
        empty=True,
    ),
    Case("receive a table", ("receive", "--from", "delivery.csv"), act="receive", known_again=True),
    Case("receive a bag", ("receive", "--bag", "foreign"), act="receive", known_again=True),
    Case("document", ("document", "L0001", "letter=letter.txt"), act="document"),
    Case("photograph", ("photograph", "L0001", "new.png", "--overlay", "seen"), act="photograph", known_again=True),
    Case("correct", ("correct", "L0001-01", "--reads", "CV6522AP", "--reads", "8916"), act="correct"),
    Case("decide", ("decide", "L0001-03", "accept", "--reason", "looks right"), act="decide"),
    Case(
        "send back",
        ("decide", "L0002-02", "return", "--reason", "no", "--carrier", "Post", "--tracking", "7"),
        act="decide",
    ),
    Case("settle", ("settle", "L0001-03", "genuine", "--grounds", "opened"), act="settle"),
    Case("exemplar", ("exemplar", "L0001-03", "--grounds", "bought from its maker"), act="exemplar"),
    Case("costs", ("costs", "--minute", "0.2", "--reason", "our wages"), act="costs"),
    Case("machine", ("machine", "Kestrel 2 sampler, loan"), act="machine"),
    Case("fit", ("fit", "L0001-03", "--into", "M0001", "--at", "U7"), act="fit"),
    Case("unfit", ("unfit", "L0001-01"), act="unfit"),
    *(Case(f"bench {name}", ("bench", name, *words), act="bench") for name, words in BENCH),
    Case("bench live", work=_read_live, act="bench"),
    Case("export a bag", ("export", "bag", "L0002", "--to", "out/bag"), act="export", made=("desk/out/bag",)),
    Case("export a file", ("export", "bag", "L0001", "--to", "out/b.zip"), act="export", made=("desk/out/b.zip",)),
    Case("export csv", ("export", "csv", "L0001", "--to", "out/tables"), made=("desk/out/tables",)),
    Case("export prov", ("export", "prov", "L0001", "--to", "out/p.json"), made=("desk/out/p.json",)),
    Case("dossier", ("dossier", "L0002", "--to", "out/d.html"), made=("desk/out/d.html",)),
    Case("label", ("label", "L0001-01", "--to", "labels"), made=("desk/labels/L0001-01.png",)),
    Case("hand in", work=_hand_in, known_again=True),
    Case("work off", work=_work_off, act="photograph", known_again=True, prepare=_hand_in),
    Case("work off a bag", work=_work_off, act="export", known_again=True, prepare=_ask_for_bag),
    Case("pass key", work=_pass_key),
    Case("tidy", ("tidy",), act="tidy", known_again=True, prepare=_leave_orphans),
    Case("tidy the spool", ("tidy", "--spool"), act="tidy", known_again=True, prepare=_leave_spool),
)
BY_NAME = {case.name: case for case in CASES}


@dataclass(frozen=True, slots=True)
class State:
    """What the records say: acts in order, and whether everything is as it was recorded."""

    acts: tuple[str, ...]
    report: Report

    @property
    def codes(self) -> set[str]:
        """What is wrong, as `verify` names it."""
        return {fault.code for fault in self.report.faults}


def state(place: Path) -> State:
    """Return the state of a workspace; of none, that of an empty one."""
    with _keys_of(place), Workspace.open(place) as workspace:
        return _state(workspace)


def mended(place: Path) -> State:
    """Tidy a workspace and return its state."""
    with _keys_of(place), Workspace.open(place) as workspace:
        tidy(workspace, operator="mira")
        return _state(workspace)


@contextmanager
def _keys_of(place: Path) -> Iterator[None]:
    """What this bench remembers lies beside the workspace, as for the child."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("LOTPROOF_KEYS", str(place.parent / "keys"))
        yield


def _state(workspace: Workspace) -> State:
    with workspace.read() as session:
        acts = tuple(session.scalars(select(JournalEntry.act).order_by(JournalEntry.id)))
    return State(acts, verify(workspace))


def count(acts: Iterable[str], act: str) -> int:
    """Return how often an act was recorded."""
    return sum(one == act for one in acts)
