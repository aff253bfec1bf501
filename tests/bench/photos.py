"""Inspecting the sample pictures against plain RapidOCR, and how well either reads what is written on the chips."""

import csv
import json
import re
import subprocess
import sys
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from ratios import Ratio, Result, Took
from scipy.stats import beta

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
WARM_UP = "swab_before.jpg"
PLAIN_TURNS = 3
BINS = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98, 1.0)

READS = (
    "Finding, turning, reading (two readers), measuring and weighing every chip, in units of one pass of the same "
    "reader over the whole photo. Both warm, one process each, one photo after the other; one ratio a photo. It is "
    "not the time of the command, which also loads the models."
)
READING_READS = (
    "Rendered pictures of invented chips, so the shares tell whether a change made reading better or worse, not how "
    "real photos are read. Letters and digits only; O and 0, I and 1 count as one glyph."
)


@dataclass(frozen=True, slots=True)
class Side:
    """What one side answered for each photo, and the median seconds it took."""

    answers: dict[str, dict[str, Any]]
    took: dict[str, Took]


@dataclass(frozen=True, slots=True)
class Chip:
    """One chip of the truth: its outline (shape (4, 2), photo pixels) and lines."""

    outline: np.ndarray
    lines: tuple[str, ...]


class Worker:
    """A process that looks at photos, one at a time."""

    def __init__(self, side: str) -> None:
        words = [sys.executable, str(Path(__file__).with_name("look_worker.py")), side]
        self._process = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def look(self, path: Path) -> dict[str, Any]:
        """Return the answer for one photo."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(f"{path}\n")
        self._process.stdin.flush()
        line = self._process.stdout.readline()
        if not line:
            raise RuntimeError(f"the process that looks at photos ended with {self._process.wait()}")
        answer: dict[str, Any] = json.loads(line)
        return answer

    def close(self) -> None:
        """End it."""
        self._process.communicate()


@cache
def looked() -> tuple[Side, Side]:
    """Return what Lotproof and plain RapidOCR made of every sample picture: once ours, with plain before and after."""
    paths = sorted(SAMPLES.glob("*.jpg"))
    workers = Worker("lotproof"), Worker("plain")
    try:
        for worker in workers:
            worker.look(SAMPLES / WARM_UP)
        ours: dict[str, list[dict[str, Any]]] = defaultdict(list)
        plain: dict[str, list[dict[str, Any]]] = defaultdict(list)
        for path in paths:
            plain[path.name].append(workers[1].look(path))
            ours[path.name].append(workers[0].look(path))
            plain[path.name] += [workers[1].look(path) for _ in range(PLAIN_TURNS - 1)]
    finally:
        for worker in workers:
            worker.close()
    return _side(ours), _side(plain)


def _side(answers: dict[str, list[dict[str, Any]]]) -> Side:
    took = {
        name: Took(*(float(np.median([one[key] for one in many])) for key in ("wall_s", "cpu_s")))
        for name, many in answers.items()
    }
    return Side({name: many[-1] for name, many in answers.items()}, took)


def run_inspect(_: Path) -> Result:
    """Compare the time and the memory of looking at each sample picture."""
    ours, plain = looked()
    names = list(ours.took)
    chips = {name: ours.answers[name]["chips"] for name in names}
    line = Ratio(
        name="inspect",
        ours=f"inspect, {len(names)} photos, {sum(chips.values())} chips",
        plain="RapidOCR()(photo)",
        ours_s=[ours.took[name].wall_s for name in names],
        plain_s=[plain.took[name].wall_s for name in names],
        cpu=sum(one.cpu_s for one in ours.took.values()) / sum(one.cpu_s for one in plain.took.values()),
        reads=READS,
    )
    peaks = [max(one["peak_bytes"] for one in side.answers.values()) for side in (ours, plain)]
    lines = [f"{'photo':<22} {'chips':>5} {'inspect s':>10} {'s a chip':>9} {'plain s':>8} {'ratio':>6}"]
    for name in names:
        mine, other = ours.took[name].wall_s, plain.took[name].wall_s
        each = f"{mine / chips[name]:.2f}" if chips[name] else "-"
        lines.append(f"{name:<22} {chips[name]:>5} {mine:>10.2f} {each:>9} {other:>8.2f} {mine / other:>6.1f}")
    whole = sum(ours.took[name].wall_s for name in names)
    a_chip = whole / max(1, sum(chips.values()))
    lines.append(
        f"{whole / len(names):.2f} s a photo, {a_chip:.2f} s a chip; most memory {peaks[0] / 1e6:.0f} MB, "
        f"plain {peaks[1] / 1e6:.0f} MB (ratio {peaks[0] / peaks[1]:.2f})"
    )
    figures = {
        "photos": {
            n: {"chips": chips[n], "ours_s": ours.took[n].wall_s, "plain_s": plain.took[n].wall_s} for n in names
        },
        "seconds_a_photo": whole / len(names),
        "seconds_a_chip": a_chip,
        "peak_bytes": {"ours": peaks[0], "plain": peaks[1]},
    }
    return Result((line,), tuple(lines), figures)


def run_reading(_: Path) -> Result:
    """Count the lines read exactly, and hold each line's confidence against how often such lines are right."""
    ours, plain = looked()
    truth = _truth()
    wanted = sum(len(chip.lines) for chips in truth.values() for chip in chips)
    figures: dict[str, Any] = {"lines": wanted}
    lines = []
    for name, side in (("lotproof", ours), ("plain", plain)):
        exact, pieces = _exact(side, truth)
        figures[name] = {"exact": exact, "exact_or_in_parts": pieces}
        lines.append(
            f"{name:<9} {exact} of {wanted} lines exactly ({exact / wanted:.1%}); "
            f"{pieces} ({pieces / wanted:.1%}) when a line given in several parts counts too"
        )
    judged, elsewhere = _judged(ours, truth)
    table, bins = calibration(judged)
    right = np.array([is_right for _, is_right in judged], float)
    sure = np.array([confidence for confidence, _ in judged])
    score = float(np.mean((sure - right) ** 2)) if judged else None
    figures.update(calibration=bins, brier=score, lines_beside_chips=elsewhere)
    said = "-" if score is None else f"{score:.3f}"
    lines += ["", *table, f"Brier score {said}; {elsewhere} lines beside any chip, not counted", READING_READS]
    return Result((), tuple(lines), figures)


def _truth() -> dict[str, list[Chip]]:
    chips: dict[str, list[Chip]] = defaultdict(list)
    with (SAMPLES / "truth.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            outline = np.array([[float(row[f"x{k}"]), float(row[f"y{k}"])] for k in range(4)], np.float32)
            chips[row["file"]].append(Chip(outline, tuple(text for text in row["lines"].split(" / ") if text)))
    return chips


def fold(text: str) -> str:
    """Return letters and digits only; glyphs that many marking fonts draw alike become one."""
    return re.sub(r"[^A-Z0-9]", "", text.upper()).replace("O", "0").replace("I", "1")


def _on(chips: Sequence[Chip], line: dict[str, Any]) -> int | None:
    """Return which chip the middle of a line lies on."""
    middle = np.mean(line["outline"], axis=0).tolist()
    inside = (k for k, chip in enumerate(chips) if cv2.pointPolygonTest(chip.outline, middle, False) >= 0)
    return next(inside, None)


def _exact(side: Side, truth: dict[str, list[Chip]]) -> tuple[int, int]:
    """Return how many lines were read exactly, and how many exactly or word by word."""
    exact = parts = 0
    for name, chips in truth.items():
        read: dict[int | None, set[str]] = defaultdict(set)
        for line in side.answers[name]["lines"]:
            read[_on(chips, line)].add(fold(line["text"]))
        for k, chip in enumerate(chips):
            for text in chip.lines:
                whole = fold(text) in read[k]
                exact += whole
                parts += whole or all(fold(word) in read[k] for word in text.split())
    return exact, parts


def _judged(side: Side, truth: dict[str, list[Chip]]) -> tuple[list[tuple[float, bool]], int]:
    """Return (confidence, right or not) of every line on a chip, and how many lines are on none."""
    judged, elsewhere = [], 0
    for name, chips in truth.items():
        for line in side.answers[name]["lines"]:
            k = _on(chips, line)
            if k is None:
                elsewhere += 1
            else:
                judged.append((float(line["confidence"]), fold(line["text"]) in {fold(t) for t in chips[k].lines}))
    return judged, elsewhere


def calibration(judged: Sequence[tuple[float, bool]]) -> tuple[list[str], list[dict[str, Any]]]:
    """Return, for each bin of confidence, the share that is right with its 95 % interval (Clopper-Pearson)."""
    bins, lines = [], [f"{'confidence':<14} {'lines':>5} {'mean':>6} {'right':>7} {'95 % interval':>16}"]
    for low, high in pairwise(BINS):
        inside = [one for one in judged if low <= one[0] < high or (high == 1.0 and one[0] == 1.0)]
        n, right = len(inside), sum(is_right for _, is_right in inside)
        if not n:
            continue
        mean = float(np.mean([confidence for confidence, _ in inside]))
        lower = 0.0 if right == 0 else float(beta.ppf(0.025, right, n - right + 1))
        upper = 1.0 if right == n else float(beta.ppf(0.975, right + 1, n - right))
        bins.append({"from": low, "to": high, "n": n, "mean": mean, "right": right / n, "interval": [lower, upper]})
        span = f"{lower:.2f} to {upper:.2f}"
        lines.append(f"{low:.2f} to {high:.2f}   {n:>5} {mean:>6.2f} {right / n:>7.2f} {span:>16}")
    return lines, bins
