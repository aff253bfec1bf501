"""Eight clients at one server for a minute: what was acknowledged is there once, pages stay quick, memory bounded."""

import io
import json
import os
import random
import re
import socket
import subprocess
import sys
import sysconfig
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import numpy as np
from PIL import Image
from ratios import Result

sys.path.append(str(Path(__file__).parents[1]))

from growing import Growth, grow

from tracker.desk.log import read_log
from tracker.desk.task_rows import TaskRows
from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace

CLIENTS, SECONDS, EARLY_S = 8, 60.0, 20.0
BAR = 10.0
"""A page under load may take so many times what it takes alone; our own promise."""
LOTS, PIECES = 12, 40
READ = ("/", "/lots", "/lots/L0003", "/pieces/L0003-07", "/api/pieces?lot=L0003", "/api/lots/L0003", "/work")
IDLE_ROUNDS = 12
WRITE_SHARE = 0.25
THINK_S = (0.5, 1.5)
"""Between two requests of a client: quicker than a person reads (common practice, no source)."""
PHOTO_EVERY_S = 25.0
"""Of each client. Photos are looked at on the same machine meanwhile, as they would be in a workshop."""
SETTLE_S = 600.0
READY_S = 8.0
"""After a start the server still makes itself ready (see `tracker/web/warm.py`); alone is alone only afterwards."""
_TOKEN = re.compile(r'name="lotproof-token" content="([^"]+)"')
CROP = (160, 0, 860, 400)
"""One chip, so that a look takes seconds."""
SAMPLE = Path(__file__).parents[2] / "sample_images" / "logic_lot.jpg"


@dataclass
class Client:
    """One device: what it was told, and how long pages took."""

    number: int
    address: str
    took: dict[str, list[float]] = field(default_factory=dict)
    acknowledged: list[tuple[str, str]] = field(default_factory=list)
    tasks: list[str] = field(default_factory=list)
    refused: Counter[str] = field(default_factory=Counter)

    def work(self, until: float) -> None:
        """Read and write until a moment."""
        rng, next_photo = random.Random(self.number), time.monotonic() + self.number * PHOTO_EVERY_S / CLIENTS
        with httpx.Client(base_url=self.address, timeout=120) as http:
            count = 0
            while time.monotonic() < until:
                count += 1
                time.sleep(rng.uniform(*THINK_S))
                if time.monotonic() >= next_photo:
                    next_photo += PHOTO_EVERY_S
                    self._photograph(http, count)
                elif rng.random() < WRITE_SHARE:
                    self._say(http, rng, count)
                else:
                    self._read(http, rng.choice(READ))

    def _read(self, http: httpx.Client, path: str) -> None:
        begun = time.perf_counter()
        answer = http.get(path, headers={"accept": "text/html"})
        if answer.status_code == 200:
            self.took.setdefault(path, []).append(time.perf_counter() - begun)
        else:
            self.refused[f"{path} {answer.status_code}"] += 1

    def _say(self, http: httpx.Client, rng: random.Random, count: int) -> None:
        word = f"client {self.number} act {count}"
        if rng.random() < 0.3:
            sent = {"seller": "Quayside Surplus", "part": "CV6522AP", "quantity": 2, "order": word}
            answer, kind = http.post("/api/lots", json=sent), "receive"
        else:
            piece = f"L0003-{rng.randint(1, PIECES):02d}"
            sent = {"pieces": [piece], "decision": rng.choice(("accept", "quarantine", "reject")), "reason": word}
            answer, kind = http.post("/api/pieces/decide", json=sent), "decide"
        if answer.is_success:
            self.acknowledged.append((kind, word))
        else:
            self.refused[f"{kind} {answer.status_code}"] += 1

    def _photograph(self, http: httpx.Client, count: int) -> None:
        found = _TOKEN.search(http.get("/phone").text)
        data = {"token": found[1] if found else "", "role": "top"}
        files = {"photos": (f"{self.number}-{count}.jpg", _photo(self.number * 10_000 + count), "image/jpeg")}
        lot = f"/lots/L{LOTS + 1:04d}/photograph"
        answer = http.post(lot, data=data, files=files, headers={"accept": "application/json"})
        if answer.is_success:
            self.tasks.append(answer.json()["task"])
        else:
            self.refused[f"photo {answer.status_code}"] += 1


def _photo(mark: int) -> bytes:
    """Return the sample photo with a mark of its own, so that none is taken for another."""
    with Image.open(SAMPLE) as opened:
        picture = opened.convert("RGB").crop(CROP)
    for bit in range(24):
        picture.paste((255, 255, 255) if mark >> bit & 1 else (0, 0, 0), (8 * bit, 0, 8 * bit + 8, 8))
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=90)
    return out.getvalue()


def run(folder: Path) -> Result:
    """Serve, measure alone, let the clients loose, and hold the records against what they were told."""
    with Workspace.open(folder / "w", create=True) as workspace:
        grow(workspace, Growth(lots=LOTS, pieces=PIECES))
    with _served(folder / "w") as (address, server):
        httpx.post(
            f"{address}/api/lots", json={"seller": "Quayside Surplus", "part": "CV74HC245N", "quantity": 400}
        ).raise_for_status()
        time.sleep(READY_S)
        idle = _alone(address)
        clients = [Client(number, address) for number in range(CLIENTS)]
        memory = _loose(clients, server.pid)
        became, worked_off = _settled(folder / "w", clients)
        memory["after all photos"] = _memory(server.pid)
    lines, figures = _held(folder / "w", clients)
    photos = sum(became.values())
    lines.append(
        f"photos acknowledged: {photos}; {', '.join(f'{count} {state}' for state, count in became.items())}, the last "
        f"{worked_off:.0f} s after the clients had gone"
    )
    lines.append(
        "memory of the server and its helpers: "
        + ", ".join(f"{size / 2**20:.0f} MiB {when}" for when, size in memory.items())
    )
    quick, worst = _quick(clients, idle)
    return Result((), (*quick, *lines), {**figures, "worst": worst, "memory": memory, "photos": dict(became)})


@contextmanager
def _served(workspace: Path) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [str(Path(sysconfig.get_path("scripts")) / "lotproof"), "serve", "--port", str(port)]
    surroundings = {**os.environ, "LOTPROOF_WORKSPACE": str(workspace), "LOTPROOF_OPERATOR": "mira"}
    server = subprocess.Popen(command, stdout=subprocess.DEVNULL, env=surroundings)
    address = f"http://127.0.0.1:{port}"
    try:
        for _ in range(300):
            try:
                httpx.get(f"{address}/phone", timeout=5)
                break
            except httpx.TransportError:
                time.sleep(0.1)
        yield address, server
    finally:
        server.terminate()
        server.wait(60)


def _alone(address: str) -> dict[str, float]:
    """Return the median seconds of each page with nobody else there, warm."""
    client = Client(-1, address)
    with httpx.Client(base_url=address, timeout=120) as http:
        for number in range(IDLE_ROUNDS + 2):
            if number == 2:
                client.took.clear()
            for path in READ:
                client._read(http, path)
    return {path: float(np.median(took)) for path, took in client.took.items()}


def _loose(clients: list[Client], pid: int) -> dict[str, int]:
    begun = time.monotonic()
    threads = [threading.Thread(target=one.work, args=(begun + SECONDS,)) for one in clients]
    for one in threads:
        one.start()
    time.sleep(max(0.0, begun + EARLY_S - time.monotonic()))
    memory = {f"at {EARLY_S:.0f} s": _memory(pid)}
    for one in threads:
        one.join()
    return {**memory, f"at {SECONDS:.0f} s": _memory(pid)}


def _memory(pid: int) -> int:
    """Return the bytes that a process and those below it hold in memory (proc(5)); 0 where the system does not say."""
    total = 0
    for one in (pid, *_below(pid)):
        try:
            total += int(Path(f"/proc/{one}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
        except OSError:
            continue
    return total


def _below(pid: int) -> list[int]:
    try:
        words = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    except OSError:
        return []
    return [int(word) for one in words for word in (one, *map(str, _below(int(one))))]


def _settled(folder: Path, clients: list[Client]) -> tuple[Counter[str], float]:
    """Wait until every photo that was taken in has been looked at; return what became of them, and how long it took."""
    begun, labels = time.monotonic(), {label for one in clients for label in one.tasks}
    rows = TaskRows(folder)
    try:
        while True:
            mine = [task for task in rows.every() if task.label in labels]
            if not any(task.open for task in mine) or time.monotonic() - begun > SETTLE_S:
                gone = len(labels) - len(mine)
                for task in mine:
                    if task.state == "failed":
                        print(f"{task.label}: {task.what}", file=sys.stderr)
                return Counter(task.state for task in mine) + Counter({"gone": gone}), time.monotonic() - begun
            time.sleep(1.0)
    finally:
        rows.close()


def _quick(clients: list[Client], idle: dict[str, float]) -> tuple[list[str], float]:
    """Return how long pages took beside what they take alone, and the worst of them."""
    lines, worst, reads = [], 0.0, 0
    for path in READ:
        took = [one for client in clients for one in client.took.get(path, ())]
        p95 = float(np.quantile(took, 0.95))
        worst, reads = max(worst, p95 / idle[path]), reads + len(took)
        lines.append(
            f"{path}: alone {1000 * idle[path]:.0f} ms, under load median {1000 * np.median(took):.0f} ms, "
            f"p95 {1000 * p95:.0f} ms: {p95 / idle[path]:.1f} times (n {len(took)})"
        )
    lines.append(
        f"{CLIENTS} clients, {SECONDS:.0f} s, {THINK_S[0]:g} to {THINK_S[1]:g} s between requests, {reads} pages; "
        f"worst page {worst:.1f} times, bar {BAR:g}"
    )
    return lines, worst


def _held(folder: Path, clients: list[Client]) -> tuple[list[str], dict[str, Any]]:
    """Return whether the records hold what the clients were told, each act once."""
    with Workspace.open(folder) as workspace:
        log, report = read_log(workspace), verify(workspace)
    said: Counter[tuple[str, str]] = Counter()
    for entry in log.entries:
        body = json.loads(entry.said)
        if entry.act == "decide":
            said["decide", body["reason"]] += 1
        for lot in body.get("lots", ()) if entry.act == "receive" else ():
            said["receive", lot.get("order") or ""] += 1
    own = f"L{LOTS + 1:04d}"
    photographed = sum(entry.act == "photograph" and entry.subject.startswith(own) for entry in log.entries)
    told = [one for client in clients for one in client.acknowledged]
    lost, twice = sum(said[one] == 0 for one in told), sum(said[one] > 1 for one in told)
    refused = dict(sum((client.refused for client in clients), Counter[str]()))
    lines = [
        f"acts acknowledged: {len(told)}; lost {lost}, recorded twice {twice}; refused: {refused or 'none'}",
        f"photograph entries of the clients' lot: {photographed}",
        f"verify: {'sound' if report.sound else f'{report.fault_count} faults'}, {report.head.entry} entries",
    ]
    figures = {"acts": len(told), "lost": lost, "twice": twice, "refused": refused, "photographed": photographed}
    return lines, figures
