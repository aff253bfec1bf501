"""Reading an instrument from the pages: a real server, a real socket, readings as server-sent events."""

import json
import math
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from scpi_server import ScpiServer, scpi_server
from web_bench import PIECE, Bench
from web_pages import serving

from tracker.desk import spool
from tracker.desk.showing import RunShown, show
from tracker.desk.verify import verify
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.web.bench_sent import AtField
from tracker.web.pages.bench_live import allowed

HTML = {"accept": "text/html"}
# The first measurement finds out which query the instrument answers; readings begin with the second.


class Person:
    """Somebody at a served workspace, who fills in forms as the pages have them."""

    def __init__(self, address: str) -> None:
        self.client = httpx.Client(base_url=address, headers=HTML, timeout=20)

    def text(self, path: str) -> str:
        answer = self.client.get(path)
        assert answer.status_code == 200, (path, answer.status_code, answer.text[:800])
        return answer.text

    def post(self, path: str, form: dict[str, Any]) -> httpx.Response:
        token = self.text("/phone").split('name="lotproof-token" content="')[1].split('"')[0]
        return self.client.post(path, data={"token": token, **form})

    def start(self, test: str, server: ScpiServer, **form: Any) -> str:
        """Start a reading and return its address."""
        answer = self.post(f"/bench/live/start/{test}/{PIECE}", {"resource": server.resource, **form})
        assert answer.status_code == 303, answer.text[:3000]
        return answer.headers["location"].removesuffix("/page")

    def hear(self, address: str, after: int = 0, most: int = 10_000) -> list[tuple[int, dict[str, Any]]]:
        """Listen to a reading's events after one of them, until it is done or there are enough."""
        heard: list[tuple[int, dict[str, Any]]] = []
        number = 0
        headers = {"last-event-id": str(after)} if after else {}
        with self.client.stream("GET", address, headers=headers) as stream:
            assert stream.headers["content-type"].startswith("text/event-stream")
            for line in stream.iter_lines():
                if line.startswith("id: "):
                    number = int(line[4:])
                elif line == "event: done":
                    return heard
                elif line.startswith("data: ") and number:
                    heard.append((number, json.loads(line[6:])))
                    if len(heard) >= most:
                        return heard
        return heard


@pytest.fixture
def address(tmp_path: Path) -> Iterator[str]:
    Bench(tmp_path).close()
    with serving(tmp_path / "w") as found:
        yield found


def values(heard: list[tuple[int, dict[str, Any]]]) -> list[float]:
    return [message["v"] for _, message in heard if message["kind"] == "read"]


def left_over(tmp_path: Path) -> list[Path]:
    return list(spool.left_over(tmp_path / "w"))


def the_run(tmp_path: Path, label: str) -> RunShown:
    with Workspace.open(tmp_path / "w") as workspace:
        shown = show(workspace, label)
    assert isinstance(shown, RunShown)
    return shown


def test_readings_come_as_events_and_become_a_run(tmp_path: Path, address: str) -> None:
    me = Person(address)
    with scpi_server(lambda n: f"{0.002 + n * 1e-6:.6f}") as server:
        reading = me.start("current", server, every="20 ms", count="12", **{"read.clock": "1 MHz", "read.current": ""})
        heard = me.hear(reading)
        assert values(heard) == pytest.approx([0.002 + n * 1e-6 for n in range(2, 14)])
        assert [number for number, _ in heard] == list(range(1, len(heard) + 1))
        assert heard[1][1] == {"kind": "opened", "text": "Penhallow Instruments,PM-6,00017,2.4"}
        assert heard[-1][1]["kind"] == "ended"
    page = me.text(f"{reading}/page")
    assert "Record 12 readings" in page
    assert "What this says" in page
    assert len(left_over(tmp_path)) == 1
    first, second = me.post(f"{reading}/record", {}), me.post(f"{reading}/record", {})
    assert first.headers["location"] == second.headers["location"] == "/runs/B0001"
    shown = the_run(tmp_path, "B0001")
    assert [dict(one)["clock_hz"] for one in shown.samples] == [1e6] * 12
    assert shown.instrument == f"Penhallow Instruments,PM-6,00017,2.4 at {server.resource}"
    assert not left_over(tmp_path)
    assert me.client.get(f"{reading}/page").headers["location"] == "/runs/B0001"


def test_every_reading_is_on_the_disk_before_it_is_told(tmp_path: Path, address: str) -> None:
    me = Person(address)
    with scpi_server(lambda n: f"{n / 1000:.6f}") as server:
        reading = me.start("current", server, every="10 ms", count="500")
        told = 0
        with me.client.stream("GET", reading) as stream:
            for line in stream.iter_lines():
                if line.startswith("data: ") and '"read"' in line:
                    told = round(json.loads(line[6:])["v"] * 1000) - 1
                    kept = left_over(tmp_path)[0].read_text().splitlines()
                    assert len(kept) - 1 >= told
                if told >= 40:
                    break
        me.post(f"{reading}/stop", {})


def test_a_page_that_comes_back_gets_what_it_missed(address: str) -> None:
    me, other = Person(address), Person(address)
    with scpi_server(lambda n: f"{n / 1000:.6f}") as server:
        reading = me.start("current", server, every="30 ms", count="30")
        before = me.hear(reading, most=8)  # and the page is gone
        time.sleep(0.3)
        after = me.hear(reading, after=before[-1][0])
        assert values(before) + values(after) == pytest.approx([n / 1000 for n in range(2, 32)])
        assert values(other.hear(reading)) == pytest.approx([n / 1000 for n in range(2, 32)])


def test_two_pages_hear_the_same_at_once_and_one_instrument_is_read_once(address: str) -> None:
    me, other = Person(address), Person(address)
    with scpi_server(lambda n: f"{n / 1000:.6f}") as server:
        reading = me.start("current", server, every="30 ms", count="2000")
        refused = other.post(f"/bench/live/start/current/{PIECE}", {"resource": server.resource.lower()})
        assert refused.status_code == 422
        assert "is being read already" in refused.text
        assert "instrument is being read for it now" in other.text(f"/bench/current/{PIECE}")
        assert other.hear(reading, most=10) == me.hear(reading, most=10)
        assert other.post(f"{reading}/stop", {}).status_code == 303
        end = me.hear(reading)[-1][1]
        assert (end["kind"], end["why"]) == ("ended", "stopped")
        assert server.connections == 1


def test_a_stop_does_not_wait_for_the_next_reading(address: str) -> None:
    me = Person(address)
    with scpi_server(["0.002"]) as server:
        reading = me.start("current", server, every="1 min", count="5")
        me.hear(reading, most=3)
        begun = time.monotonic()
        me.post(f"{reading}/stop", {})
        assert me.hear(reading)[-1][1]["why"] == "stopped"
        assert time.monotonic() - begun < 10  # of the minute


def test_two_clocks_make_one_run(tmp_path: Path, address: str) -> None:
    me = Person(address)
    with scpi_server(lambda n: "0.002" if n <= 5 else "0.004") as server:
        reading = me.start("current", server, every="10 ms", count="4", **{"read.clock": "1 MHz", "read.current": ""})
        me.hear(reading)
        assert me.post(f"{reading}/again", {"clock": "2 kg"}).status_code == 422
        assert me.post(f"{reading}/again", {"clock": "2 MHz"}).status_code == 303
        me.hear(reading)
        assert me.post(f"{reading}/record", {}).status_code == 303
    samples = [dict(one) for one in the_run(tmp_path, "B0001").samples]
    assert [one["clock_hz"] for one in samples] == [1e6] * 4 + [2e6] * 4
    assert [one["current_a"] for one in samples] == [0.002] * 4 + [0.004] * 4
    assert not left_over(tmp_path)


def test_a_heat_soak_says_while_it_goes_whether_it_may_stop(tmp_path: Path, address: str) -> None:
    me = Person(address)
    begun = time.monotonic()

    def warm(n: int) -> str:  # a rise of 20 K with a time constant of 0.3 s, and a thermometer's last digit
        nonlocal begun
        begun = time.monotonic() if n <= 2 else begun
        return f"{22 + 20 * (1 - math.exp(-(time.monotonic() - begun) / 0.3)) + 0.01 * (n % 3):.2f}"

    with scpi_server(warm) as server:
        reading = me.start("soak", server, every="20 ms", ambient="22 C", cold="yes", case="open", aim="2 K")
        me.hear(reading, most=100)
        said = me.client.get(f"{reading}/so-far", headers={"accept": "application/json"}).json()
        assert said["may_stop"] is True, said["sentence"]
        assert said["sentence"] == "The final rise is known well enough, you may stop."
        assert "first-order rise" in [one["name"] for one in said["drawings"][0]["series"]]
        me.post(f"{reading}/stop", {})
    assert me.post(f"{reading}/record", {}).status_code == 303
    shown = the_run(tmp_path, "B0001")
    assert shown.test == "soak"
    assert json.loads(shown.result)["rise"]["value_k"] == pytest.approx(20.0, abs=1.0)
    assert not left_over(tmp_path)


def test_a_server_that_stops_leaves_what_was_read(tmp_path: Path) -> None:
    Bench(tmp_path).close()
    with scpi_server(["0.002"]) as server:
        with serving(tmp_path / "w") as found:
            me = Person(found)
            reading = me.start("current", server, every="20 ms", count="5000")
            me.hear(reading, most=10)
            me.client.close()
        (kept,) = left_over(tmp_path)
        assert len(kept.read_text().splitlines()) > 5
        with Workspace.open(tmp_path / "w") as workspace:
            told = " ".join(str(one) for one in verify(workspace).notices)
        assert kept.name in told


def test_an_instrument_that_falls_silent_leaves_what_was_read(tmp_path: Path, address: str) -> None:
    me = Person(address)
    with scpi_server(lambda n: "0.002" if n <= 4 else "nonsense") as server:
        reading = me.start("current", server, every="10 ms", count="50", **{"read.clock": "1 MHz", "read.current": ""})
        end = me.hear(reading)[-1][1]
        assert end["why"] == "odd"
    assert "Record 3 readings" in me.text(f"{reading}/page")
    assert me.post(f"{reading}/record", {}).status_code == 303
    assert len(the_run(tmp_path, "B0001").samples) == 3


def test_no_instrument_is_said(address: str) -> None:
    me = Person(address)
    answer = me.post(f"/bench/live/start/current/{PIECE}", {"resource": "TCPIP::127.0.0.1::9::SOCKET"})
    reading = answer.headers["location"].removesuffix("/page")
    assert me.hear(reading)[-1][1]["why"] == "problem"
    page = me.text(f"{reading}/page")
    assert "No instrument can be read" in page
    assert "Record" not in page


@pytest.mark.parametrize(
    ("form", "field"),
    [
        ({"resource": ""}, "resource"),
        ({"resource": "TCPIP::93.184.216.34::80::SOCKET"}, "resource"),
        ({"resource": "TCPIP::example.org::80::SOCKET"}, "resource"),
        ({"resource": "TCPIP::127.0.0.1::9::SOCKET", "every": "often"}, "every"),
        ({"resource": "TCPIP::127.0.0.1::9::SOCKET", "count": "-1"}, "count"),
        ({"resource": "TCPIP::127.0.0.1::9::SOCKET", "query": "OUTP ON"}, "query"),
    ],
)
def test_what_cannot_be_read_is_said_at_its_field(tmp_path: Path, form: dict[str, str], field: str) -> None:
    bench = Bench(tmp_path)
    answer = bench.post(f"/bench/live/start/current/{PIECE}", form)
    assert answer.status_code == 422
    assert f'id="e-{field}"' in answer.text
    assert not left_over(tmp_path)


def test_another_device_reads_only_what_was_named(tmp_path: Path) -> None:
    with scpi_server(["0.002"]) as server:
        bench = Bench(tmp_path, "192.0.2.9", pass_key="k" * 16, instruments=(server.resource,))
        bench.client.post("/door", data={"key": "k" * 16})
        page = bench.text(f"/bench/current/{PIECE}")
        assert f"<option>{server.resource}</option>" in page
        for resource in ("TCPIP::127.0.0.1::22::SOCKET", "ASRL/dev/ttyS0::INSTR"):
            answer = bench.post(f"/bench/live/start/current/{PIECE}", {"resource": resource})
            assert answer.status_code == 422
            assert "From another device" in answer.text
        started = bench.post(f"/bench/live/start/current/{PIECE}", {"resource": server.resource, "count": "2"})
        assert started.status_code == 303
        bench.app.state.bench.close()


@pytest.mark.parametrize(
    "near",
    [
        "TCPIP::127.0.0.1::5025::SOCKET",
        "tcpip0::10.1.2.3::INSTR",
        "TCPIP::[fd00::1]::5025::SOCKET",
        "USB0::1::2::3::INSTR",
    ],
)
def test_addresses_of_ones_own_networks_are_read(near: str) -> None:
    assert allowed(near, True, ()) == near


@pytest.mark.parametrize(
    "far",
    [
        "TCPIP::8.8.8.8::5025::SOCKET",
        "TCPIP::[::ffff:8.8.8.8]::5025::SOCKET",
        "TCPIP::0.0.0.0::5025::SOCKET",
        "TCPIP::0x7f000001.example::5025::SOCKET",
        "PRLGX-TCPIP::8.8.8.8::1234::INTFC",
        "TCPIP0::224.0.0.1::5025::SOCKET",
        "TCPIP::::INSTR",
    ],
)
def test_other_addresses_are_not(far: str) -> None:
    with pytest.raises(BadRequest) as caught:
        allowed(far, True, ())
    assert isinstance(caught.value, AtField)
    with pytest.raises(BadRequest, match="From another device"):
        allowed(far, False, ("TCPIP::127.0.0.1::1::SOCKET",))
