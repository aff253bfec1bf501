"""How often a chip altered as forgers alter them stands out of its genuine group, through the command's function."""

import os
import sys
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from unittest.mock import patch

from ratios import Result

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.altered.alterations import HELD_OUT, KINDS  # noqa: E402
from tests.altered.flat import Base  # noqa: E402
from tests.altered.pasted import cuttings, pasted, real_folder  # noqa: E402
from tests.altered.rendered import rendered  # noqa: E402
from tests.altered.score import Case, altered, cases, found, kept, roughly, table  # noqa: E402
from tracker.desk.contract import PieceFound  # noqa: E402
from tracker.desk.inspect import inspect_photos  # noqa: E402

PHOTOS = int(os.environ.get("LOTPROOF_ALTERED_PHOTOS", "4"))
"""Photos of either origin; each gives four groups a kind."""
GIVEN = os.environ.get("LOTPROOF_ALTERED_OUTLINES", "") == "given"
"""Whether the comparison is scored by itself: outlines are given, a little off, and not looked for."""
FIRST = int(os.environ.get("LOTPROOF_ALTERED_FIRST", "100"))
"""Seed of the first photo."""


def run(folder: Path) -> Result:
    """Alter a chip in each group of several photos, once a kind, and count."""
    results: list[Case] = []
    genuine: dict[str, list[float]] = defaultdict(list)
    for base in _bases():
        plain = _inspected(base, "plain", kept(base.image, folder / "plain.png"))
        genuine[base.origin] += [piece.suspicion for piece in plain]
        print(f"{base.name}: {len(found(base, plain))} of {len(base.chips)} chips found", file=sys.stderr, flush=True)
        for kind in KINDS:
            image, chosen = altered(base, kind)
            pieces = _inspected(base, kind, kept(image, folder / "altered.png"))
            results += cases(base, kind, chosen, pieces)
    lines = table(results, genuine, HELD_OUT)
    if real_folder() is None:
        lines.append("no folder of real photos: rendered groups alone (LOTPROOF_REAL_PHOTOS)")
    return Result((), tuple(lines), {"cases": [asdict(c) for c in results], "genuine": dict(genuine)})


def _inspected(base: Base, kind: str, path: Path) -> Sequence[PieceFound]:
    """What the command's function says of one photo."""
    if not GIVEN:
        return inspect_photos([path]).photos[0].pieces
    with patch("vision.inspection.find_outlines", lambda image: roughly(base, kind)):
        return inspect_photos([path]).photos[0].pieces


def _bases() -> list[Base]:
    """Photos of genuine groups, rendered, and pasted from real ones where there are any."""
    bases = [rendered(FIRST + k) for k in range(PHOTOS)]
    folder = real_folder()
    if folder is not None and cuttings(folder):
        bases += [pasted(FIRST + k, folder) for k in range(PHOTOS)]
    return bases
