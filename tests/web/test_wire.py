"""What can be sent over the wire to a real server: too much, too slowly, too many at once, and not HTTP at all."""

import asyncio
import json
import os
import socket
import time
import zipfile
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest
from web_pages import Pages, serving
from web_workshop import prepared, workshop  # noqa: F401

from tracker.web import guard, patience
from tracker.web.settings import MIB

JSON = b"Content-Type: application/json\r\n"


@pytest.fixture
def address(workshop: Path) -> Iterator[tuple[str, int]]:  # noqa: F811
    with serving(workshop) as at:
        host, _, port = at.removeprefix("http://").partition(":")
        yield host, int(port)


def _resident() -> int:
    """Return the memory of this process, in which the server runs, in bytes (proc(5))."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE")


def _head(address: tuple[str, int], first: bytes, more: bytes = b"") -> bytes:
    return first + b" HTTP/1.1\r\nHost: 127.0.0.1:" + str(address[1]).encode() + b"\r\n" + more + b"\r\n"


def _answer(link: socket.socket) -> bytes:
    """Return all that comes back until the other end closes."""
    got = b""
    while True:
        try:
            more = link.recv(65536)
        except ConnectionError:
            return got
        if not more:
            return got
        got += more


def _pump(link: socket.socket, head: bytes, block: bytes, count: int) -> int:
    """Send a head and then blocks until all are gone or the other end will have no more; return how many went."""
    link.sendall(head)
    for number in range(count):
        try:
            link.sendall(block)
        except ConnectionError:
            return number
    return count


@pytest.mark.parametrize("kind", ["chunked", "more than said", "said"])
def test_a_body_without_end_is_not_held(kind: str, address: tuple[str, int]) -> None:
    block = b"[" * 65536
    head = {
        "chunked": JSON + b"Transfer-Encoding: chunked\r\n",
        "more than said": JSON + b"Content-Length: 900000\r\n",
        "said": JSON + b"Content-Length: 4000000000\r\n",
    }[kind]
    sent = b"%x\r\n%s\r\n" % (len(block), block) if kind == "chunked" else block
    before = _resident()
    with socket.create_connection(address, 20) as link:
        gone = _pump(link, _head(address, b"POST /api/datecode", head), sent, 4000)  # 250 MiB, where it is let
        answered = _answer(link) if kind != "more than said" else b""
    assert gone * len(block) < 64 * MIB  # no more than what lies in the buffers of the sockets
    assert _resident() - before < 64 * MIB
    if answered:
        assert b" 413 " in answered.partition(b"\r\n")[0]
        assert b"lotproof.error/1" in answered
    assert httpx.get(f"http://127.0.0.1:{address[1]}/api/lots").status_code == 200


def test_what_comes_in_small_pieces_is_measured_as_a_whole(address: tuple[str, int]) -> None:
    with socket.create_connection(address, 20) as link:
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        head = _head(address, b"POST /api/datecode", JSON + b"Transfer-Encoding: chunked\r\n")
        gone = _pump(link, head, b"".join(b"400\r\n" + b"[" * 1024 + b"\r\n" for _ in range(16)), 100)
        assert b" 413 " in _answer(link).partition(b"\r\n")[0]
    assert gone <= 100


def test_a_query_of_raw_bytes_is_read_as_browsers_write_it() -> None:
    """RFC 3986, 2.1: what is not ASCII stands as a percent sign and two digits."""
    assert guard._as_browsers_write("part=Müller&x=%20".encode()) == b"part=M%C3%BCller&x=%20"
    assert guard._as_browsers_write(b"\xb2=x") == b"%B2=x"


def test_a_query_of_raw_bytes_is_refused_by_the_server_and_no_fault_behind_another(
    address: tuple[str, int], pages: Pages
) -> None:
    async def receive() -> dict[str, object]:
        return {"type": "http.request", "body": b"", "more_body": False}

    for query in ("part=Müller".encode(), b"part=M%FC\xfcller\xb2", b"\xb2=x"):
        with socket.create_connection(address, 20) as link:
            link.sendall(_head(address, b"GET /lots?" + query))
            assert b" 400 " in _answer(link).partition(b"\r\n")[0]
        got: list[dict[str, object]] = []

        async def send(message: dict[str, object], got: list[dict[str, object]] = got) -> None:
            got.append(message)

        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": "GET", "scheme": "http",
            "path": "/lots", "raw_path": b"/lots", "root_path": "", "query_string": query,
            "client": ("127.0.0.1", 50000), "server": ("127.0.0.1", 8437), "headers": [(b"host", b"127.0.0.1:8437")],
        }  # fmt: skip
        with ThreadPoolExecutor(1) as apart:  # a browser of another test may have a loop running in this thread
            apart.submit(asyncio.run, pages.app(scope, receive, send)).result()
        assert got[0]["status"] == 200, query
        assert got[1]["body"].count("Müller".encode()) >= (query == "part=Müller".encode())


def test_who_sends_no_head_does_not_keep_others_out(address: tuple[str, int], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(patience.PatientHttp, "head_s", 1.0)
    links = []
    for number in range(60):
        link = socket.create_connection(address, 20)
        link.sendall((b"", b"GET / HTT", b"GET / HTTP/1.1\r\nHost: x\r\nA: ")[number % 3])
        links.append(link)
    begun = time.monotonic()
    assert httpx.get(f"http://127.0.0.1:{address[1]}/api/lots", timeout=10).status_code == 200
    assert time.monotonic() - begun < 5
    for link in links:
        link.settimeout(20)
        assert _answer(link) == b""  # closed by the server
        link.close()


def test_a_second_request_of_a_connection_may_not_dawdle_either(
    address: tuple[str, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(patience.PatientHttp, "head_s", 1.0)
    with socket.create_connection(address, 20) as link:
        link.sendall(_head(address, b"GET /api/machines"))
        got = link.recv(65536)
        assert b" 200 " in got
        while b'"found"' not in got:
            got += link.recv(65536)
        link.sendall(b"GET /api/lo")
        assert _answer(link) == b""


def test_a_request_that_takes_longer_than_a_head_may_is_answered(
    address: tuple[str, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(patience.PatientHttp, "head_s", 0.3)
    body = json.dumps({"markings": ["CV6522AP 8733"]}).encode()
    with socket.create_connection(address, 20) as link:
        link.sendall(_head(address, b"POST /api/datecode", JSON + b"Content-Length: %d\r\n" % len(body)))
        for at in range(0, len(body), 6):
            time.sleep(0.15)
            link.sendall(body[at : at + 6])
        assert b" 200 " in link.recv(65536)


def test_a_body_that_stalls_is_given_up(address: tuple[str, int], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "STALLED_S", 0.5)
    with socket.create_connection(address, 20) as link:
        link.sendall(_head(address, b"POST /api/datecode", JSON + b"Content-Length: 1000\r\n") + b'{"mark')
        first = link.recv(65536)
        assert b" 400 " in first or first == b""


def test_others_leave_room_for_this_computer(address: tuple[str, int], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(patience, "LOOPBACK", ("127.0.0.1",))
    monkeypatch.setattr(patience, "MOST_CONNECTIONS", 30)
    monkeypatch.setattr(patience, "FOR_THIS_COMPUTER", 10)
    others = []
    for _ in range(40):
        link = socket.create_connection(address, 20, source_address=("127.0.0.2", 0))  # all of 127/8 is loopback
        others.append(link)
    time.sleep(0.5)
    assert httpx.get(f"http://127.0.0.1:{address[1]}/api/lots", timeout=10).status_code == 200
    closed = 0
    for link in others:
        link.settimeout(0.05)
        try:
            closed += link.recv(1) == b""
        except ConnectionError:
            closed += 1
        except TimeoutError:
            pass
        link.close()
    assert 20 <= closed < 40


@pytest.mark.parametrize(
    "raw",
    [
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",  # the beginning of TLS
        b"GET / HTTP/9.9\r\n\r\n",
        b"GET /%s HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n" % (b"a" * 60_000),
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n" + b"X: y\r\n" * 20_000 + b"\r\n",
        b"GET / HTTP/1.1\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nHost: evil.example\r\n\r\n",
        b"GET http://evil.example/ HTTP/1.1\r\nHost: evil.example\r\n\r\n",
        b"POST /api/datecode HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 5\r\nContent-Length: 6\r\n\r\nabcdef",
        b"POST /api/datecode HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: -1\r\n\r\n",
        b"POST /api/datecode HTTP/1.1\r\nHost: 127.0.0.1\r\nTransfer-Encoding: gzip, chunked\r\n\r\n0\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: a\r\n b\x00c\r\n\r\n",
    ],
    ids=range(11),
)
def test_what_is_no_sound_request_is_refused(raw: bytes, address: tuple[str, int]) -> None:
    with socket.create_connection(address, 10) as link:
        link.sendall(raw)
        link.shutdown(socket.SHUT_WR)
        first = _answer(link).partition(b"\r\n")[0]
    assert first == b"" or first.split(b" ")[1][:1] == b"4", first
    assert httpx.get(f"http://127.0.0.1:{address[1]}/api/lots").status_code == 200


def test_length_and_chunks_together_smuggle_nothing(address: tuple[str, int]) -> None:
    inner = b"GET /api/machines HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n"
    head = _head(address, b"POST /api/datecode", JSON + b"Content-Length: 4\r\nTransfer-Encoding: chunked\r\n")
    with socket.create_connection(address, 10) as link:
        link.sendall(head + b"0\r\n\r\n" + inner)
        link.shutdown(socket.SHUT_WR)
        got = _answer(link)
    assert (
        b"lotproof.machines/1" not in got or got.count(b"HTTP/1.1 ") == 2
    )  # RFC 9112, 6.3: chunked wins, then a new one


def test_a_zip_that_swells_is_refused(workshop: Path, tmp_path: Path) -> None:  # noqa: F811
    path = tmp_path / "bag.zip"
    with (
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("bag/data/x", "w", force_zip64=True) as to,
    ):
        for _ in range(40):
            to.write(bytes(10 * MIB))
    assert path.stat().st_size < 2 * MIB
    pages, before, begun = Pages(workshop), _resident(), time.monotonic()
    with path.open("rb") as file:
        answer = pages.post("/receive/bag", files=[("bag", ("bag.zip", file))])
    assert answer.status_code == 422
    assert time.monotonic() - begun < 20
    assert _resident() - before < 200 * MIB
    assert [one.name for one in workshop.rglob("*") if one.stat().st_size > 50 * MIB] == []
    pages.close()
