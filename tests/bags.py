"""Bags for the tests: a lot that went all the way, and ways to change a bag and make its manifests right again.

The manifests are made anew here with hashlib alone, not with the program's own writer.
"""

import hashlib
import json
import shutil
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from staged import Stage, chip, found, picture
from stock import TODAY, a_lot

from tracker.desk.arrival import Paper
from tracker.desk.bag_read import opened
from tracker.desk.bench import CurrentRequest, run_current
from tracker.desk.decide import decide
from tracker.desk.export_bag import export_bag
from tracker.desk.fitting import fit
from tracker.desk.photograph import photograph
from tracker.desk.receive import add_documents
from tracker.desk.workspace import Workspace
from tracker.errors import Damaged, ExitCode, LotproofError

HOSTILE = '=HYPERLINK("x";"y") <b>&amp;</b> [red]$x$'
TABLE = "clock_mhz,current_ma\n1,12.1\n2,13.0\n"


def full_lot(workspace: Workspace, folder: Path, stage: Stage) -> str:
    """Put a lot with a photo, papers, a bench run from a table, a decision and a fitting into a workspace."""
    folder.mkdir(exist_ok=True)
    a_lot(workspace, maker="Corvane", remark=HOSTILE, order="Q-7")
    (folder / "Rechnung Nº 7 (für uns).pdf").write_bytes(b"%PDF-1.4 an invoice")
    add_documents(workspace, "L0001", [Paper("invoice", folder / "Rechnung Nº 7 (für uns).pdf")], operator="mira")
    sanded = chip("CV6522AP", "8914", at=(20, 100), observations=[found("surface-sanded", "surface")])
    path = stage.put(picture(folder, "lot.png"), chip("CV6522AP", "8914"), sanded)
    photograph(workspace, "L0001", [path], operator="mira", today=TODAY)
    (folder / "readings.csv").write_text(TABLE)
    request = CurrentRequest(table=folder / "readings.csv", u="0.2 mA")
    run_current(workspace, "L0001-02", request, operator="jonas")
    decide(workspace, ["L0001-02"], "reject", reason=HOSTILE, operator="jonas")
    fit(workspace, "L0001-01", "Laboratory counter Tellmark 220", "U12", operator="mira")
    return "L0001"


def a_bag(workspace: Workspace, to: Path, lot: str = "L0001", **more: Any) -> Path:
    """Export a lot and return where its bag is."""
    return export_bag(workspace, lot, to, organization="Hollin Bench", operator="mira", **more).bag


def reseal(bag: Path) -> Path:
    """Make every manifest, and Payload-Oxum, right for what now lies in a bag."""
    payload = sorted(path for path in (bag / "data").rglob("*") if path.is_file())
    oxum = f"{sum(path.stat().st_size for path in payload)}.{len(payload)}"
    info = (bag / "bag-info.txt").read_text(encoding="utf-8").splitlines()
    lines = [line for line in info if not line.startswith("Payload-Oxum")]
    (bag / "bag-info.txt").write_text("\n".join([*lines, f"Payload-Oxum: {oxum}", ""]), encoding="utf-8")
    for algorithm in ("sha256", "sha512"):
        _list(bag, payload, f"manifest-{algorithm}.txt", algorithm)
    tags = [bag / name for name in ("bagit.txt", "bag-info.txt", "manifest-sha256.txt", "manifest-sha512.txt")]
    for algorithm in ("sha256", "sha512"):
        _list(bag, tags, f"tagmanifest-{algorithm}.txt", algorithm)
    return bag


def _list(bag: Path, files: list[Path], name: str, algorithm: str) -> None:
    lines = [
        f"{hashlib.new(algorithm, path.read_bytes()).hexdigest()}  {path.relative_to(bag).as_posix()}\n"
        for path in files
    ]
    (bag / name).write_text("".join(lines), encoding="utf-8")


def edited(bag: Path, name: str, change: Callable[[Any], Any]) -> Path:
    """Change one JSON document of a bag, and make the manifests right again."""
    path = bag / "data" / name
    value = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps(change(value) or value, ensure_ascii=False), encoding="utf-8")
    return reseal(bag)


def copy(bag: Path, to: Path) -> Path:
    """Return a copy of a bag that may be changed."""
    shutil.copytree(bag, to)
    return to


def zipped(bag: Path, to: Path, base: str = "bag") -> Path:
    """Return a bag as a ZIP file, made with the standard library alone."""
    with zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(bag.rglob("*")):
            if path.is_file():
                archive.write(path, f"{base}/{path.relative_to(bag).as_posix()}")
    return to


def payload_digests(bag: Path) -> list[str]:
    """Return the SHA-256 of every payload file, worked out here."""
    files = (path for path in (bag / "data").rglob("*") if path.is_file())
    return sorted(hashlib.sha256(path.read_bytes()).hexdigest() for path in files)


def refused(path: Path, kind: type[LotproofError], match: str) -> None:
    """Check that a bag is refused as `kind`, with a sentence that matches, and with that exit code."""
    with pytest.raises(LotproofError, match=match) as caught, opened(path):
        pass
    assert isinstance(caught.value, kind), caught.value
    assert caught.value.exit_code is (ExitCode.DAMAGED if kind is Damaged else ExitCode.BAD_REQUEST)
