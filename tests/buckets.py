"""A bucket store for the tests, in a process of its own, and a proxy before it that does what stores do on bad days."""

import base64
import http.client
import http.server
import os
import re
import secrets
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from importlib.util import find_spec
from urllib.parse import urlsplit

import pytest

START_S = 60


def serving() -> Iterator[str]:
    """Start the store, give its endpoint, and end it."""
    if find_spec("moto") is None or find_spec("s3fs") is None:
        pytest.skip("moto (with its server) or s3fs is not installed")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    code = "import sys; from moto.server import main; main(sys.argv[1:])"
    process = subprocess.Popen(
        [sys.executable, "-c", code, "-H", "127.0.0.1", "-p", str(port)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "MOTO_S3_CUSTOM_ENDPOINTS": f"http://127.0.0.1:{port}"},
    )
    try:
        _wait_for(port, process)
        yield f"http://127.0.0.1:{port}"
    finally:
        process.terminate()
        process.wait(10)


def _wait_for(port: int, process: "subprocess.Popen[bytes]") -> None:
    last = time.monotonic() + START_S
    while time.monotonic() < last and process.poll() is None:
        with suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
            return
        time.sleep(0.05)
    pytest.skip("the bucket server did not start")


def new_bucket(endpoint: str) -> str:
    """Make a bucket and return its name."""
    name = f"evidence-{secrets.token_hex(6)}"
    assert plainly(endpoint, "PUT", f"/{name}")[0] == 200
    return name


def plainly(endpoint: str, method: str, path: str, body: bytes | None = None) -> tuple[int, bytes]:
    """Ask the store without any library of ours, and return the status and the body."""
    connection = http.client.HTTPConnection(urlsplit(endpoint).netloc, timeout=30)
    try:
        # The store of the tests takes any signature, and wants one to know whose bucket it is.
        sign = "AWS4-HMAC-SHA256 Credential=bench/20310402/us-east-1/s3/aws4_request, SignedHeaders=host, Signature=0"
        connection.request(method, path, body=body, headers={"Authorization": sign})
        answer = connection.getresponse()
        return answer.status, answer.read()
    finally:
        connection.close()


def kept_in(endpoint: str, bucket: str) -> list[str]:
    """Return the names of the objects in a bucket."""
    _, body = plainly(endpoint, "GET", f"/{bucket}?list-type=2")
    return re.findall(r"<Key>(.*?)</Key>", body.decode())


@dataclass
class Faults:
    """What the proxy does instead of passing a request on.

    `plan` is asked for each request (method, path, how many came before) and says: None (pass on), a status ('500',
    '403'), 'slow' (wait `delay_s`, then pass on), 'hang' (say nothing until the end), 'truncate' (half of the body),
    'drop' (close without a word), 'drop-after' (pass on, then close without a word), 'flip' (other bytes), 'summed'
    (pass on, and name the checksum in `sha256`, as stores do that keep one).
    """

    plan: Callable[[str, str, int], str | None] = lambda _method, _path, _before: None
    delay_s: float = 0.0
    sha256: str = ""
    seen: list[tuple[str, str]] = field(default_factory=list)
    over: threading.Event = field(default_factory=threading.Event)


CODES = {"500": "InternalError", "503": "SlowDown", "403": "SignatureDoesNotMatch", "501": "NotImplemented"}


@contextmanager
def bad_days(endpoint: str) -> Iterator[tuple[str, Faults]]:
    """Give the endpoint of a proxy before the store, and the faults it makes."""
    faults = Faults()

    class Proxy(http.server.BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def log_message(self, *_: object) -> None: ...

        def _any(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
            fault = faults.plan(self.command, self.path, len(faults.seen))
            faults.seen.append((self.command, self.path))
            if fault == "hang":
                faults.over.wait(60)
            if fault in ("drop", "hang"):
                self.close_connection = True
                self.connection.shutdown(socket.SHUT_RDWR)
                return
            if fault in CODES:
                self._answer(int(fault), {"Content-Type": "application/xml"}, _said(CODES[fault]))
                return
            if fault == "slow":
                time.sleep(faults.delay_s)
            status, headers, answer = _passed_on(endpoint, self, body)
            if fault == "drop-after":
                self.close_connection = True
                self.connection.shutdown(socket.SHUT_RDWR)
                return
            if fault == "summed":
                headers["X-Amz-Checksum-Sha256"] = base64.b64encode(bytes.fromhex(faults.sha256)).decode()
            if fault == "flip":
                answer = bytes(byte ^ 0xFF for byte in answer)
            self._answer(status, headers, answer, half=fault == "truncate")

        def _answer(self, status: int, headers: dict[str, str], body: bytes, *, half: bool = False) -> None:
            self.send_response_only(status)
            length = headers.pop("Content-Length", str(len(body))) if self.command == "HEAD" else str(len(body))
            for name, value in {**headers, "Content-Length": length}.items():
                self.send_header(name, value)
            self.end_headers()
            if self.command != "HEAD":
                self.wfile.write(body[: len(body) // 2] if half else body)
            if half:
                self.close_connection = True

        do_GET = do_PUT = do_HEAD = do_DELETE = do_POST = _any

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Proxy)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}", faults
    finally:
        faults.over.set()
        server.shutdown()
        server.server_close()


def _said(code: str) -> bytes:
    return f'<?xml version="1.0"?><Error><Code>{code}</Code><Message>A bad day.</Message></Error>'.encode()


def _passed_on(
    endpoint: str, asked: http.server.BaseHTTPRequestHandler, body: bytes
) -> tuple[int, dict[str, str], bytes]:
    connection = http.client.HTTPConnection(urlsplit(endpoint).netloc, timeout=60)
    try:
        headers = {name: value for name, value in asked.headers.items() if name.lower() not in ("expect", "connection")}
        connection.request(asked.command, asked.path, body=body or None, headers=headers)
        answer = connection.getresponse()
        left_out = ("connection", "transfer-encoding")
        said = {name: value for name, value in answer.getheaders() if name.lower() not in left_out}
        return answer.status, {name.title(): value for name, value in said.items()}, answer.read()
    finally:
        connection.close()
