"""How often a chip altered as forgers alter them stands out of its genuine group, through the command's function."""

import os
import sys
from collections import defaultdict
from dataclasses import asdict
from pathlib import Path

from ratios import Result

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from tests.altered.alterations import HELD_OUT, KINDS  # noqa: E402
from tests.altered.flat import Base  # noqa: E402
from tests.altered.pasted import cuttings, pasted, real_folder  # noqa: E402
from tests.altered.rendered import rendered  # noqa: E402
from tests.altered.score import Case, altered, cases, found, kept, table  # noqa: E402
from tracker.desk.inspect import inspect_photos  # noqa: E402

PHOTOS = int(os.environ.get("LOTPROOF_ALTERED_PHOTOS", "4"))
"""Photos of either origin; each gives four groups a kind."""
FIRST = int(os.environ.get("LOTPROOF_ALTERED_FIRST", "100"))
"""Seed of the first photo."""


def run(folder: Path) -> Result:
    """Alter a chip in each group of several photos, once a kind, and count."""
    results: list[Case] = []
    genuine: dict[str, list[float]] = defaultdict(list)
    for base in _bases():
        plain = inspect_photos([kept(base.image, folder / "plain.png")]).photos[0].pieces
        genuine[base.origin] += [piece.suspicion for piece in plain]
        print(f"{base.name}: {len(found(base, plain))} of {len(base.chips)} chips found", file=sys.stderr, flush=True)
        for kind in KINDS:
            image, chosen = altered(base, kind)
            pieces = inspect_photos([kept(image, folder / "altered.png")]).photos[0].pieces
            results += cases(base, kind, chosen, pieces)
    lines = table(results, genuine, HELD_OUT)
    if real_folder() is None:
        lines.append("no folder of real photos: rendered groups alone (LOTPROOF_REAL_PHOTOS)")
    return Result((), tuple(lines), {"cases": [asdict(c) for c in results], "genuine": dict(genuine)})


def _bases() -> list[Base]:
    """Photos of genuine groups, rendered, and pasted from real ones where there are any."""
    bases = [rendered(FIRST + k) for k in range(PHOTOS)]
    folder = real_folder()
    if folder is not None and cuttings(folder):
        bases += [pasted(FIRST + k, folder) for k in range(PHOTOS)]
    return bases
