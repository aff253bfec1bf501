"""The verb `serve` as a process: what it prints, whom it lets in, how it ends."""

import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
from conftest import Lotproof


def _free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


@contextmanager
def _served(workspace: Path, *words: str, port: int | None = None) -> Iterator[tuple[subprocess.Popen[str], list[str]]]:
    """Start the server and give it with the lines it printed until it was ready."""
    command = [sys.executable, "-m", "tracker.cli.main", "serve", "--workspace", str(workspace)]
    process = subprocess.Popen(
        [*command, "--port", str(port or _free_port()), *words],
        stderr=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"LOTPROOF_KEYS": str(workspace.parent / "keys")},
    )
    lines: list[str] = []
    try:
        assert process.stderr is not None
        for line in process.stderr:
            lines.append(line.rstrip("\n"))
            if "Ctrl-C ends it" in line:
                break
        yield process, lines
    finally:
        process.kill()
        process.communicate()


def _address(lines: list[str]) -> str:
    found = re.search(r"http://127\.0\.0\.1:\d+", "\n".join(lines))
    assert found is not None, lines
    return found[0]


def _get(address: str, path: str = "/") -> httpx.Response:
    last = time.monotonic() + 10
    while True:
        try:
            return httpx.get(address + path, headers={"accept": "text/html"})
        except httpx.ConnectError:
            assert time.monotonic() < last
            time.sleep(0.05)


def test_it_tells_its_address_listens_on_the_loopback_alone_and_ends_by_ctrl_c(tmp_path: Path) -> None:
    with _served(tmp_path / "w") as (process, lines):
        answer = _get(_address(lines))
        assert answer.status_code == 200
        assert float(re.search(r"dur=([\d.]+)", answer.headers["server-timing"])[1]) > 0
        assert "server" not in answer.headers
        port = int(_address(lines).rpartition(":")[2])
        table = Path("/proc/net/tcp").read_text().splitlines()[1:]
        listening = [
            row.split()[1] for row in table if row.split()[3] == "0A" and row.split()[1].endswith(f":{port:04X}")
        ]
        assert listening == [f"0100007F:{port:04X}"]
        process.send_signal(signal.SIGINT)
        assert process.wait(15) in (0, 130)
        assert process.stderr is not None
        # No library complains of what it could not clear away.
        assert [one for one in process.stderr.read().splitlines() if not one.startswith("lotproof: Stopped.")] == []


def test_a_taken_port_is_a_sentence(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with _served(tmp_path / "w", port=taken.getsockname()[1]) as (process, lines):
            assert process.wait(15) == 2
            assert "cannot be listened on" in "\n".join(lines)


def test_the_pass_key_stays_until_a_new_one_is_asked_for(tmp_path: Path) -> None:
    keys = []
    for words in (("--lan",), ("--lan",), ("--lan", "--new-key")):
        with _served(tmp_path / "w", *words) as (_, lines):
            found = re.search(r"Pass key: (\S+)", "\n".join(lines))
            assert found is not None
            keys.append(found[1])
            assert any("█" in line or "▄" in line for line in lines) == any("other devices" in line for line in lines)
    assert keys[0] == keys[1] != keys[2]
    for name in ("pages-pass-key", "pages-secret"):
        assert (tmp_path / "keys" / name).stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--new-key",), "goes with --lan"),
        (("--certificate-key", "k.pem"), "goes with --certificate"),
        (("--certificate", "missing.pem"), "certificate cannot be used"),
    ],
)
def test_what_does_not_go_together_is_refused(
    tmp_path: Path, words: tuple[str, ...], said: str, lotproof: Lotproof, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LOTPROOF_KEYS", str(tmp_path / "keys"))
    ran = lotproof("serve", "--workspace", tmp_path / "w", "--port", _free_port(), *words)
    assert (ran.code, ran.out) == (2, "")
    assert said in ran.err
