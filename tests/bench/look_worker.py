"""One side of the photo benchmark in a process of its own: reads a path a line, answers one line of JSON."""

import json
import logging
import resource
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from ratios import timed

Looked = dict[str, Any]


def _lotproof() -> Callable[[str], Looked]:
    from tracker.desk.inspect import inspect_photos

    def look(path: str) -> Looked:
        photo = inspect_photos([Path(path)]).photos[0]
        lines = [
            {"text": line.text, "confidence": line.confidence, "outline": line.outline}
            for piece in photo.pieces
            for line in piece.lines
        ]
        return {"lines": lines, "chips": len(photo.pieces)}

    return look


def _plain() -> Callable[[str], Looked]:
    logging.disable(logging.CRITICAL)
    from rapidocr import RapidOCR

    engine: Any = RapidOCR()

    def look(path: str) -> Looked:
        found = engine(path)
        boxes = [] if found.boxes is None else found.boxes.tolist()
        lines = [
            {"text": text, "confidence": float(score), "outline": outline}
            for text, score, outline in zip(found.txts or (), found.scores or (), boxes, strict=True)
        ]
        return {"lines": lines}

    return look


def _answer(look: Callable[[str], Looked], path: str, answer: Looked) -> None:
    answer.update(look(path))


def main(side: str) -> None:
    """Answer until the input ends."""
    look = {"lotproof": _lotproof, "plain": _plain}[side]()
    out = sys.stdout
    sys.stdout = sys.stderr  # whatever a library prints is no answer
    for line in sys.stdin:
        answer: Looked = {}
        took = timed(partial(_answer, look, line.strip(), answer))
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)
        print(
            json.dumps({**answer, "wall_s": took.wall_s, "cpu_s": took.cpu_s, "peak_bytes": peak}), file=out, flush=True
        )


if __name__ == "__main__":
    main(sys.argv[1])
