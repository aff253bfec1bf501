"""Loose chips on foam, as a phone sees them: whole commands against plain RapidOCR, chips found, lines read."""

import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from photos import fold
from PIL import Image
from ratios import Result, always, paired, ratio

from sample_images.camera import Camera, Light, Sensor
from sample_images.parts import DIP14, DIP16, Piece
from sample_images.photo import Scene, photograph
from sample_images.scenes import GATE

PARTS = ("CV74HC08N", "CV74HC163N", "CV4075BE", "HDS74HC4075B1", "TRV6821P", "CV74LS244N", "HDS74HC32", "CV74HC595N")
GROUNDS = ("black foam", "pink foam", "black foam")
LAMPS = ((60, -160, 120), (-80, -90, 150), (100, 40, 110))
EXPOSURES = (0.75, 0.9, 0.6)
ROUNDS = 3
FOUND = 0.5
"""Share of overlap (intersection over union) from which a chip counts as found."""

READS = (
    "Whole processes, from start to end: `lotproof inspect` on three rendered pictures of 1148 x 2048 pixels with 18 "
    "loose chips each, against a Python that runs plain RapidOCR on the same whole pictures."
)
PLAIN = """
import logging, sys
logging.disable(logging.CRITICAL)
from rapidocr import RapidOCR
engine = RapidOCR()
for path in sys.argv[2:]:
    texts = engine(path).txts or ()
    if sys.argv[1] == "print":
        print("\\t".join(texts))
"""


@dataclass(frozen=True, slots=True)
class Placed:
    """A chip that was rendered: the corners of its top, shape (4, 2), photo pixels, and its lines."""

    corners: NDArray[np.float64]
    lines: tuple[str, ...]


def scene(number: int, rng: np.random.Generator) -> Scene:
    """Return one picture's scene: 18 chips at many angles, some marks barely visible, in poor light."""
    pieces = []
    for k in range(18):
        column, row = k % 3, k // 3
        quarter = rng.choice([0, 90, 180, 270] if number else [0, 180])
        code = f"{rng.integers(78, 99)}{rng.integers(1, 53):02d} {'ABKL'[k % 4]}{rng.integers(1, 9)}"
        ink = bool(rng.random() < 0.4)
        tone = float(rng.uniform(0.3, 0.7) if ink else rng.uniform(0.07, 0.16))
        lines = (PARTS[(row + number) % len(PARTS)], code)
        mark = replace(GATE, lines=lines, kind="ink" if ink else "laser", tone=(tone,) * 3)
        place = (-24 + 24 * column + float(rng.normal(0, 0.7)), -55 + 22 * row + float(rng.normal(0, 0.7)))
        package = DIP16 if column == 1 else DIP14
        pieces.append(Piece(package, place, mark, float(quarter + rng.normal(0, 5)), seated=False))
    return Scene(
        f"foam_{number}", "loose chips on foam",
        Camera((1148, 2048), (10, 40, 230), (0, 0, 2), 76, roll=1.0),
        Light(LAMPS[number], lamp_rgb=(0.7, 0.62, 0.5), sky_rgb=(0.22, 0.24, 0.27), bench_rgb=(0.1, 0.08, 0.08)),
        Sensor(exposure=EXPOSURES[number], noise=1.4, depth_blur=0.03),
        GROUNDS[number], tuple(pieces), 900 + number,
    )  # fmt: skip


def run(folder: Path) -> Result:
    """Render the pictures, time both sides in turn, and count what either found and read."""
    rng = np.random.default_rng(5)
    paths, truth = [], []
    for number in range(len(GROUNDS)):
        made = scene(number, rng)
        picture, corners = photograph(made)
        paths.append(folder / f"{made.name}.jpg")
        Image.fromarray(picture).save(paths[-1], quality=82)
        truth.append([Placed(c.astype(float), p.marking.lines) for c, p in zip(corners, made.pieces, strict=True)])
    words = [str(path) for path in paths]
    ours = [str(Path(sys.executable).with_name("lotproof")), "inspect", *words, "--json"]
    plain = [sys.executable, "-c", PLAIN]
    took = paired(
        always(lambda: subprocess.run(ours, check=True, capture_output=True)),
        always(lambda: subprocess.run([*plain, "silent", *words], check=True, capture_output=True)),
        rounds=ROUNDS,
    )
    seen = json.loads(subprocess.run(ours, check=True, capture_output=True).stdout)["photos"]
    read = subprocess.run([*plain, "print", *words], check=True, capture_output=True, text=True).stdout.splitlines()
    lines = _counted(truth, seen, [line.split("\t") for line in read])
    name = f"lotproof inspect, {len(paths)} photos, {sum(map(len, truth))} chips"
    return Result((ratio("foam", ours=name, plain="RapidOCR on them", took=took, reads=READS),), tuple(lines))


def _counted(truth: Sequence[Sequence[Placed]], seen: Sequence[dict], read: Sequence[Sequence[str]]) -> list[str]:
    found = exact = plain = wanted = pieces = 0
    for chips, photo, texts in zip(truth, seen, read, strict=True):
        pieces += len(photo["pieces"])
        for chip in chips:
            wanted += len(chip.lines)
            plain += sum(fold(line) in {fold(t) for t in texts} for line in chip.lines)
            best = max(photo["pieces"], key=lambda p: _overlap(p["outline"], chip.corners), default=None)
            if best is not None and _overlap(best["outline"], chip.corners) >= FOUND:
                found += 1
                exact += sum(fold(line) in {fold(t["text"]) for t in best["lines"]} for line in chip.lines)
    chips_in_all = sum(map(len, truth))
    return [
        f"found {found} of {chips_in_all} chips, {pieces - found} outlines that are none of them",
        f"lotproof {exact} of {wanted} lines exactly ({exact / wanted:.1%}), each on its chip; "
        f"plain {plain} ({plain / wanted:.1%}), anywhere in the photo. Some marks are too faint for the eye.",
    ]


def _overlap(outline: Sequence[Sequence[float]], corners: NDArray[np.float64]) -> float:
    one, other = np.array(outline, np.float32), corners.astype(np.float32)
    both = cv2.intersectConvexConvex(one, other)[0]
    return float(both / (cv2.contourArea(one) + cv2.contourArea(other) - both))
