"""Looking again at an archive: two dask workers against one, and what each photo costs the asking process."""

import csv
import io
import pickle
import shutil
import statistics
import sys
import time
from collections import defaultdict
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
from PIL import Image
from ratios import Ratio, Result, Took, cpu_seconds

sys.path.append(str(Path(__file__).resolve().parents[1]))

from staged import Stage, chip
from stock import a_lot

from tracker.desk import photograph as photographing
from tracker.desk import reinspect as desk
from tracker.desk.photograph import photograph
from tracker.desk.reinspect_hands import ClusterHands, cluster_hands
from tracker.desk.workspace import Workspace

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
SEED, PHOTOS, ROUNDS = 20310402, 12, 2
TODAY = date(2031, 4, 2)
WARM = 2
"""Photos that go before and are not counted: imports, caches."""
KINDS = ("swab_before.jpg", "swab_after.jpg")
READS = (
    "One worker of a dask scheduler against two, one thread each, for the same photos from the same evidence; from the "
    "first question to the records to the last act. Starting workers and loading the networks is outside. The asking "
    "process, the scheduler and the workers share this machine's cores."
)


def run(folder: Path) -> Result:
    """Time the same archive with one worker and with two."""
    master = folder / "archive"
    _archive(master, folder)
    figures: dict[str, Any] = {"photos": PHOTOS}
    took: dict[int, list[Took]] = defaultdict(list)
    for number in range(ROUNDS):
        for workers in (1, 2) if number % 2 == 0 else (2, 1):
            took[workers].append(_timed(master, folder / f"w{workers}-{number}", workers, figures))
    line = Ratio(
        name="reinspect",
        ours=f"two workers, {PHOTOS} photos",
        plain="one worker",
        ours_s=[one.wall_s for one in took[2]],
        plain_s=[one.wall_s for one in took[1]],
        cpu=None,
        reads=READS,
    )
    figures["times_as_fast"] = [a.wall_s / b.wall_s for a, b in zip(took[1], took[2], strict=True)]
    return Result((line,), tuple(_lines(figures)), figures)


def _archive(folder: Path, scratch: Path) -> None:
    """Record rendered photos with their true outlines: each a lot, each with noise of its own."""
    truth = defaultdict(list)
    for row in csv.DictReader((SAMPLES / "truth.csv").open(encoding="utf-8")):
        truth[row["file"]].append(tuple((float(row[f"x{k}"]), float(row[f"y{k}"])) for k in range(4)))
    rng, stage = np.random.default_rng(SEED), Stage({}, [])
    with Workspace.open(folder, create=True) as workspace, patch.object(photographing, "look", stage.look):
        for number in range(PHOTOS + WARM):
            name = KINDS[number % len(KINDS)]
            outlines = truth[name]
            path = scratch / f"{number:02d}-{name}"
            path.write_bytes(_noisy(SAMPLES / name, rng))
            label = a_lot(workspace, quantity=len(outlines), received=len(outlines), arrived=TODAY).lot
            stage.put(path, *(replace(chip("READ"), outline=outline) for outline in outlines))
            pieces = [f"{label}-{n + 1:02d}" for n in range(len(outlines))]
            photograph(workspace, label, [path], piece=pieces, operator="mira", today=TODAY)


def _noisy(path: Path, rng: np.random.Generator) -> bytes:
    pixels = np.asarray(Image.open(path).convert("RGB"), np.int16)
    noisy = np.clip(pixels + rng.normal(0, 1.5, pixels.shape), 0, 255).astype(np.uint8)
    out = io.BytesIO()
    Image.fromarray(noisy).save(out, "JPEG", quality=92)
    return out.getvalue()


def _timed(master: Path, folder: Path, workers: int, figures: dict[str, Any]) -> Took:
    shutil.copytree(master, folder)
    with _workers(workers) as hands, _watched(hands, figures):
        with Workspace.open(folder) as workspace:
            for number in range(1, WARM + 1):
                desk.reinspect(workspace, hands, lot=f"L{number:04d}", operator="mira", today=TODAY)
        before = _size(folder)  # closed: nothing of the records is in the log beside them
        with Workspace.open(folder) as workspace:
            cpu, start = cpu_seconds(), time.perf_counter()
            document = desk.reinspect(workspace, hands, operator="mira", today=TODAY)
            took = Took(time.perf_counter() - start, cpu_seconds() - cpu)
    if (document.done, document.set_aside) != (PHOTOS, ()):
        raise RuntimeError(f"{document.done} of {PHOTOS} photos were done: {document.set_aside}")
    after = _size(folder)
    figures.setdefault("asking_cpu_s", []).append(took.cpu_s / PHOTOS)
    figures.setdefault("look_cpu_s", []).append(document.cost.cpu_s / PHOTOS)
    figures["bytes_read"] = document.cost.bytes_read / PHOTOS
    figures["pieces"] = document.pieces / PHOTOS
    figures["records_bytes"] = (after[0] - before[0]) / PHOTOS
    figures["pictures_bytes"] = (after[1] - before[1]) / PHOTOS
    return took


@contextmanager
def _workers(number: int) -> Any:
    import dask
    from distributed import LocalCluster

    with (
        dask.config.set({"logging.distributed": "error"}),
        LocalCluster(
            n_workers=number, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address=None
        ) as cluster,
        cluster_hands(cluster.scheduler_address) as hands,
    ):
        yield hands


@contextmanager
def _watched(hands: ClusterHands, figures: dict[str, Any]) -> Any:
    """Note what passes through the scheduler and how long acts and planning take."""
    submit, outcome, write = hands.submit, hands.outcome, desk.write
    plan = desk.Plan.of_lot
    said: dict[str, list[float]] = defaultdict(list)

    def submitted(job: Any) -> Any:
        said["job_bytes"].append(len(pickle.dumps(job)))
        return submit(job)

    def answered(future: Any) -> Any:
        answer = outcome(future)
        said["answer_bytes"].append(len(pickle.dumps(answer)))
        without = replace(answer, photos=tuple(replace(one, picture=None) for one in answer.photos))
        said["answer_bytes_without_pictures"].append(len(pickle.dumps(without)))
        return answer

    def timed(name: str, call: Any) -> Any:
        def inside(*given: Any, **named: Any) -> Any:
            start = time.perf_counter()
            try:
                return call(*given, **named)
            finally:
                said[name].append(time.perf_counter() - start)

        return inside

    hands.submit, hands.outcome = submitted, answered  # type: ignore[method-assign]
    with patch.object(desk, "write", timed("act_s", write)), patch.object(desk.Plan, "of_lot", timed("plan_s", plan)):
        yield
    for name, values in said.items():
        figures[name] = statistics.median(values)


def _size(folder: Path) -> tuple[int, int]:
    """Bytes of the records and of the evidence."""
    records = sum(one.stat().st_size for one in folder.glob("*.sqlite*"))
    return records, sum(one.stat().st_size for one in (folder / "evidence").rglob("*") if one.is_file())


def _lines(figures: dict[str, Any]) -> list[str]:
    faster = figures["times_as_fast"]
    return [
        f"two workers are {statistics.median(faster):.2f} times as fast as one "
        f"({', '.join(f'{one:.2f}' for one in faster)})",
        f"a photo ({figures['pieces']:.1f} pieces): looking {statistics.median(figures['look_cpu_s']):.2f} cpu s; "
        f"asking process {1000 * statistics.median(figures['asking_cpu_s']):.0f} ms of cpu; "
        f"planned in {1000 * figures['plan_s']:.0f} ms, act {1000 * figures['act_s']:.0f} ms",
        f"a photo: {figures['bytes_read'] / 1e3:.0f} kB read from the evidence; job {figures['job_bytes'] / 1e3:.1f} "
        f"kB, answer {figures['answer_bytes'] / 1e3:.1f} kB, without its picture "
        f"{figures['answer_bytes_without_pictures'] / 1e3:.1f} kB",
        f"a photo: records grow by {figures['records_bytes'] / 1e3:.1f} kB, evidence by "
        f"{figures['pictures_bytes'] / 1e3:.0f} kB (the annotated picture)",
    ]
