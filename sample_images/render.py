#!/usr/bin/env python3
"""Render the sample pictures and their truth: `python -m sample_images.render [--to FOLDER] [NAME...]`.

The committed pictures come from this script. The same seed gives the same pixels on one machine; another processor or
another release of OpenCV or FreeType may round differently, so the committed files are the ones that tests read.
"""

import argparse
import csv
import io
import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

if __package__ in (None, ""):
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from sample_images.camera import Array
from sample_images.photo import MAX_BYTES, Scene, photograph
from sample_images.scenes import SCENES

COLUMNS = (
    "file", "piece", "package", "x0", "y0", "x1", "y1", "x2", "y2", "x3", "y3", "lines", "marking", "ground", "truth",
)  # fmt: skip


def encoded(picture: NDArray[np.uint8], most_bytes: int = MAX_BYTES) -> bytes:
    """Return a JPEG of the best quality up to 92 that stays under `most_bytes`."""
    image = Image.fromarray(picture)
    for quality in range(92, 40, -3):
        out = io.BytesIO()
        image.save(out, "JPEG", quality=quality, subsampling=2, optimize=True)
        if out.tell() <= most_bytes:
            break
    return out.getvalue()


def truth_rows(scene: Scene, outlines: list[Array]) -> list[list[str]]:
    """Return one row a piece: where its top is, what stands on it, what was done to it."""
    rows = []
    for number, (piece, outline) in enumerate(zip(scene.pieces, outlines, strict=True), start=1):
        places = [f"{value:.1f}" for value in outline.ravel()]
        lines = "" if piece.upside_down else " / ".join(piece.marking.lines)
        kind = "moulded" if piece.upside_down else piece.marking.kind
        truth = f"{piece.truth}, bottom" if piece.upside_down else piece.truth
        rows.append([f"{scene.name}.jpg", str(number), piece.package.name, *places, lines, kind, scene.ground, truth])
    return rows


def main(arguments: list[str] | None = None) -> None:
    """Render all scenes (or the named ones) into a folder; write truth.csv when all were rendered."""
    parser = argparse.ArgumentParser(description="Render the sample pictures of invented chips.")
    parser.add_argument("names", nargs="*", help="scenes to render (default: all, with truth.csv)")
    parser.add_argument("--to", type=Path, default=Path(__file__).resolve().parent, help="folder to write into")
    given = parser.parse_args(arguments)
    chosen = [make for make in SCENES if not given.names or make.__name__ in given.names]
    if len(chosen) < len(set(given.names)):
        parser.error(f"unknown scene; there are: {', '.join(make.__name__ for make in SCENES)}")
    given.to.mkdir(parents=True, exist_ok=True)
    rows: list[list[str]] = []
    for make in chosen:
        scene = make()
        picture, outlines = photograph(scene)
        data = encoded(picture, scene.most_bytes)
        (given.to / f"{scene.name}.jpg").write_bytes(data)
        rows += truth_rows(scene, outlines)
        print(
            f"{scene.name}.jpg: {picture.shape[1]} x {picture.shape[0]}, {len(data) // 1000} kB, {len(outlines)} pieces"
        )
    if not given.names:
        with (given.to / "truth.csv").open("w", newline="", encoding="utf-8") as file:
            csv.writer(file, lineterminator="\n").writerows([COLUMNS, *rows])


if __name__ == "__main__":
    main()
