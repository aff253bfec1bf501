"""Keeping originals, and verifying a workspace full of them, against cp, sync and sha256sum."""

import hashlib
import os
import shutil
from collections.abc import Callable, Sequence
from pathlib import Path

from ratios import Result, always, paired, ratio, shell

from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace

FILE_BYTES = 4_000_000
INTAKE_FILES = 40
VERIFY_FILES = 50
TOOLS = ("cp", "sync", "sha256sum")

INTAKE_READS = (
    "Keeping photos: read, hashed, written once under their hash, synced file by file and folder by folder, journaled "
    "in one act. The first plain side copies all, syncs all and hashes all, three processes for the whole set; the "
    "second does so file by file in Python. It is not the time of `photograph`, which looks at the photos first; and "
    "the disk decides as much as the program."
)
VERIFY_READS = (
    "Hashing what is kept, and all other rungs, on files the system holds in memory. A sha256sum that does without the "
    "processor's own SHA instructions is slow, so Python's hashlib, which has them, stands beside it: that ratio shows "
    "what the other rungs cost. It is not the time from a cold or slow disk (there all wait for the disk), nor that of "
    "a workspace with many rows and few files."
)


def missing_tools() -> list[str]:
    """Return the plain tools that this machine lacks."""
    return [name for name in TOOLS if shutil.which(name) is None]


def run_intake(folder: Path) -> Result:
    """Keep 40 files of 4 MB in one act, each round in a new workspace."""
    sources = _random_files(folder / "sources", INTAKE_FILES)
    names = [str(path) for path in sources]

    def ours(number: int) -> Callable[[], object]:
        for old in (number - 1, number):
            shutil.rmtree(folder / f"kept-{old}", ignore_errors=True)
        workspace = Workspace.open(folder / f"kept-{number}", create=True)

        def keep() -> None:
            with workspace, workspace.act("bench", "photograph", "") as act:
                for path in sources:
                    act.keep(path.read_bytes())  # as `photograph` does: it has read the photo to look at it

        return keep

    def plain(number: int) -> Callable[[], object]:
        target, copies = new_copies(number)
        return lambda: shell(["cp", *names, str(target)], ["sync", *copies, str(target)], ["sha256sum", *copies])

    def library(number: int) -> Callable[[], object]:
        target, _ = new_copies(number)
        return lambda: _copied(sources, target)

    def new_copies(number: int) -> tuple[Path, list[str]]:
        for old in (number - 1, number):
            shutil.rmtree(folder / f"copied-{old}", ignore_errors=True)
        target = folder / f"copied-{number}"
        target.mkdir()
        return target, [str(target / path.name) for path in sources]

    what = f"keep {INTAKE_FILES} files, {INTAKE_FILES * FILE_BYTES // 1_000_000} MB"
    pairs = (("cp; sync; sha256sum", plain), ("copyfile, fsync, hashlib", library))
    return Result(
        tuple(
            ratio("intake", ours=what, plain=said, took=paired(ours, other, rounds=5), reads=INTAKE_READS)
            for said, other in pairs
        )
    )


def _copied(sources: Sequence[Path], target: Path) -> None:
    for path in sources:
        copy = Path(shutil.copyfile(path, target / path.name))
        with copy.open("rb") as file:
            os.fsync(file.fileno())
            hashlib.file_digest(file, "sha256")


def run_verify(folder: Path) -> Result:
    """Verify a workspace of 50 files of 4 MB, and hash the same files."""
    with Workspace.open(folder / "workspace", create=True) as workspace:
        with workspace.act("bench", "photograph", "") as act:
            kept = [act.keep(os.urandom(FILE_BYTES)).sha256 for _ in range(VERIFY_FILES)]
        names = [f"{workspace.store.url}/{sha256[:2]}/{sha256}" for sha256 in kept]

        def ours() -> None:
            report = verify(workspace)
            if not report.sound:
                raise RuntimeError(f"the workspace just made is not sound: {report.faults[:3]}")

        with_tool = paired(always(ours), always(lambda: shell(["sha256sum", *names])), rounds=7)
        with_library = paired(always(ours), always(lambda: _hashed(names)), rounds=7)
    what = f"verify, {VERIFY_FILES * FILE_BYTES // 1_000_000} MB"
    pairs = (("sha256sum", with_tool), ("hashlib.file_digest", with_library))
    return Result(
        tuple(ratio("verify", ours=what, plain=plain, took=took, reads=VERIFY_READS) for plain, took in pairs)
    )


def _hashed(names: Sequence[str]) -> None:
    for name in names:
        with Path(name).open("rb") as file:
            hashlib.file_digest(file, "sha256")


def _random_files(folder: Path, count: int) -> list[Path]:
    folder.mkdir()
    paths = [folder / f"photo-{number:02d}.jpg" for number in range(count)]
    for path in paths:
        path.write_bytes(os.urandom(FILE_BYTES))
    return paths
