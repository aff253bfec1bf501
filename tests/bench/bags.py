"""Handing a lot's evidence out as a bag and taking one in, against copying and the bagit library's own."""

import os
import shutil
from collections.abc import Callable
from datetime import date
from pathlib import Path

import bagit
from ratios import Result, always, paired, ratio

from tracker.desk.arrival import Paper, check_arrival
from tracker.desk.bag_read import opened
from tracker.desk.export_bag import export_bag
from tracker.desk.receive import add_documents, receive
from tracker.desk.receive_bag import arrival_of, receive_bag
from tracker.desk.workspace import Workspace

FILES, FILE_BYTES, PIECES = 40, 4_000_000, 40
READS = (
    "A lot of 40 pieces with 40 files of 4 MB. The plain side of 'export' copies the files and lets the library make a "
    "bag of them, with both manifests, unsynced; ours also reads and checks the records, writes them, tables and "
    "provenance, and syncs every file. The plain side of 'take in' validates the same bag with the library and copies "
    "it; ours validates it with the library, too, works the records out again, and keeps every file under its digest."
)


def run(folder: Path) -> Result:
    """Export and take in one lot, each round in a new place."""
    with Workspace.open(folder / "A", create=True) as workspace:
        bag = _prepared(workspace, folder)

        def ours(number: int) -> Callable[[], object]:
            shutil.rmtree(folder / f"out-{number - 1}", ignore_errors=True)
            return lambda: export_bag(workspace, "L0001", folder / f"out-{number}", operator="bench")

        def plain(number: int) -> Callable[[], object]:
            shutil.rmtree(folder / f"plain-{number - 1}", ignore_errors=True)
            return lambda: _made(bag, folder / f"plain-{number}")

        out = paired(ours, plain, rounds=5)
    taken = paired(lambda number: _taking(bag, folder, number), always(lambda: _validated(bag, folder)), rounds=5)
    size = f"{FILES * FILE_BYTES // 1_000_000} MB"
    return Result(
        (
            ratio("bag", ours=f"export, {size}", plain="copytree, make_bag", took=out, reads=READS),
            ratio("bag", ours=f"take in, {size}", plain="validate, copytree", took=taken, reads=READS),
        )
    )


def _prepared(workspace: Workspace, folder: Path) -> Path:
    typed = {"seller": "Quayside Surplus", "part": "CV6522AP", "quantity": str(PIECES)}
    receive(workspace, [check_arrival(typed, today=date.today())], operator="bench")
    papers = []
    for number in range(FILES):
        papers.append(Paper("other", folder / f"paper-{number:02d}.pdf"))
        papers[-1].path.write_bytes(os.urandom(FILE_BYTES))
    add_documents(workspace, "L0001", papers, operator="bench")
    return export_bag(workspace, "L0001", folder / "bag", operator="bench").bag


def _made(bag: Path, target: Path) -> None:
    shutil.copytree(bag / "data", target)
    bagit.make_bag(str(target), checksums=["sha256", "sha512"])


def _taking(bag: Path, folder: Path, number: int) -> Callable[[], object]:
    shutil.rmtree(folder / f"B-{number - 1}", ignore_errors=True)
    workspace = Workspace.open(folder / f"B-{number}", create=True)

    def take() -> None:
        with workspace, opened(bag) as foreign:
            receive_bag(workspace, foreign, arrival_of(foreign, {}, today=date.today()), operator="bench")

    return take


def _validated(bag: Path, folder: Path) -> None:
    bagit.Bag(str(bag)).validate()
    shutil.rmtree(folder / "copied", ignore_errors=True)
    shutil.copytree(bag, folder / "copied")
