"""Alters one chip in every group of a photo, and counts how the program's own answer treats it and its siblings."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from vision.geometry import quad_overlap
from vision.locate import Outline

from .alterations import KINDS
from .flat import Base
from .rendered import as_kept

FLAGGED = 0.5
"""A suspicion from here on is an accusation."""
SEEN = 0.5
"""Overlap with the true outline from which a piece is the chip."""


@dataclass(frozen=True)
class Case:
    """One altered chip among its siblings: suspicions of all that were found; None where the chip itself was not."""

    origin: str
    kind: str
    group: int
    altered: float | None
    siblings: tuple[float, ...]

    @property
    def most_suspicious(self) -> bool:
        """Whether the altered chip alone is the most suspicious one."""
        return self.altered is not None and all(self.altered > other for other in self.siblings)

    @property
    def flagged(self) -> bool:
        """Whether the altered chip is accused."""
        return self.altered is not None and self.altered >= FLAGGED


def altered(base: Base, kind: str) -> tuple[Any, dict[int, int]]:
    """Alter one chip in every group.

    Returns
    -------
    image : ndarray of uint8
    chosen : dict of int to int
        Group to the index of the chip that was altered.
    """
    image, chosen = base.image, {}
    for number, group in enumerate(base.groups):
        rng = np.random.default_rng([*map(ord, base.name + kind), number])
        chip = group[int(rng.integers(len(group)))]
        image = KINDS[kind](image, base.chips[chip], rng)
        chosen[number] = chip
    return as_kept(image, 92), chosen


def kept(image: Any, path: Path) -> Path:
    """Write a picture without further loss."""
    Image.fromarray(image).save(path)
    return path


def found(base: Base, pieces: Sequence[Any]) -> dict[int, Any]:
    """Which piece of an answer is which chip."""
    seen = {}
    for number, chip in enumerate(base.chips):
        overlaps = [quad_overlap(np.array(piece.outline), chip.outline) for piece in pieces]
        if overlaps and max(overlaps) >= SEEN:
            seen[number] = pieces[int(np.argmax(overlaps))]
    return seen


def roughly(base: Base, kind: str) -> list[Any]:
    """Outlines as a good finder gives them: long sides off by 1.5 % of the width, ends by 3 %, corners by 1 %.

    With them a comparison is scored by itself, whatever the finder made of the photo.
    """
    rng = np.random.default_rng([*map(ord, base.name + kind)])
    found = []
    for chip in base.chips:
        corners = chip.outline
        short = min(np.linalg.norm(corners[1] - corners[0]), np.linalg.norm(corners[3] - corners[0]))
        along, down = corners[1] - corners[0], corners[3] - corners[0]
        along, down = along / np.linalg.norm(along), down / np.linalg.norm(down)
        ends, sides = rng.normal(0, 0.03 * short, 2), rng.normal(0, 0.015 * short, 2)
        places = [(ends[i], sides[j]) for i, j in ((0, 0), (1, 0), (1, 1), (0, 1))]
        moved = np.array([a * along + b * down for a, b in places]) + rng.normal(0, 0.008 * short, (4, 2))
        found.append(Outline(corners + moved, 0.95, ()))
    return found


def cases(base: Base, kind: str, chosen: Mapping[int, int], pieces: Sequence[Any]) -> list[Case]:
    """Hold an answer's pieces against what was done."""
    seen = found(base, pieces)
    results = []
    for group, chip in chosen.items():
        others = tuple(seen[k].suspicion for k in base.groups[group] if k != chip and k in seen)
        own = seen[chip].suspicion if chip in seen else None
        results.append(Case(base.origin, kind, group, own, others))
    return results


def table(results: Iterable[Case], genuine: Mapping[str, Sequence[float]], held_out: Sequence[str]) -> list[str]:
    """Lines of a table: each kind on each origin, the held-out kinds apart, then the photos nobody touched."""
    all_cases = list(results)
    head = (
        f"{'made from':<14} {'kind':<12} {'cases':>5} {'most suspicious':>16} {'flagged':>12} {'genuine flagged':>17}"
    )
    lines = [head]
    for origin in dict.fromkeys(case.origin for case in all_cases):
        for apart in (False, True):
            kinds = [k for k in dict.fromkeys(c.kind for c in all_cases) if (k in held_out) == apart]
            for kind in kinds:
                mine = [c for c in all_cases if c.origin == origin and c.kind == kind]
                siblings = [s for c in mine for s in c.siblings]
                first, accused = sum(c.most_suspicious for c in mine), sum(c.flagged for c in mine)
                wrong = sum(s >= FLAGGED for s in siblings)
                name = f"{kind} *" if apart else kind
                lines.append(
                    f"{origin:<14} {name:<12} {len(mine):>5} {first:>9} {first / len(mine):>6.0%} "
                    f"{accused:>6} {accused / len(mine):>5.0%} {wrong:>7} of {len(siblings)}"
                )
    for origin, suspicions in genuine.items():
        wrong = sum(s >= FLAGGED for s in suspicions)
        highest = max(suspicions, default=0.0)
        lines.append(
            f"{origin}: {wrong} of {len(suspicions)} chips nobody touched flagged, the highest at {highest:.2f}"
        )
    lines.append("* kinds held out: no bound was set with them in sight")
    return lines
