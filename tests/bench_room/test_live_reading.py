"""Reading instruments live: simulated ones of PyVISA-sim, and one on a real loopback socket that misbehaves."""

import itertools
import os
import pty
import resource
import threading
import time
import tty
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest
from scpi_server import DROP, SILENT, scpi_server

from tracker.bench import readings as tables
from tracker.desk import live as lives
from tracker.desk.live import LiveRequest
from tracker.errors import BadRequest
from tracker.instruments import reading, scpi
from tracker.instruments.reading import Ended, Event, Opened, Plan, Read, Said
from tracker.instruments.visa import Link, LinkLost

SIMULATED = f"{Path(__file__).with_name('instruments.yaml')}@sim"
TIMEOUT_S = 0.2


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """The waits between tries, a hundredth as long."""
    monkeypatch.setattr(reading, "BACK_OFF_S", tuple(wait / 100 for wait in reading.BACK_OFF_S))


def _loop(resource: str, plan: Plan, what: str = "current", query: str | None = None) -> list[Event]:
    return list(reading.loop(Link(resource, TIMEOUT_S), scpi.quantity(what), plan, query=query))


def _values(events: list[Event]) -> list[float]:
    return [one.value for one in events if isinstance(one, Read) and one.value is not None]


def _said(events: list[Event]) -> str:
    return " ".join(one.text for one in events if isinstance(one, Said | Ended))


# --- instruments of PyVISA-sim ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("resource", "what", "identity", "query", "value"),
    [
        ("TCPIP0::192.0.2.7::5025::SOCKET", "current", "Penhallow Instruments,PM-6,00017,2.4", "MEAS:CURR:DC?", 0.0962),
        ("TCPIP0::192.0.2.7::5025::SOCKET", "voltage", "Penhallow Instruments,PM-6,00017,2.4", "MEAS:VOLT:DC?", 5.01),
        # 77 F is 25 C by definition; the meter says that it gives degrees Fahrenheit.
        ("TCPIP0::192.0.2.7::5025::SOCKET", "temperature", "Penhallow Instruments,PM-6,00017,2.4", "MEAS:TEMP?", 25.0),
        ("ASRL1::INSTR", "current", "Tregarth,TS-30,8,1.0", "MEAS:CURR?", 0.096),
        ("GPIB0::22::INSTR", "frequency", "Tregarth,TC-2,3,1.1", "MEAS:FREQ?", 4.0000012e6),
    ],
)
def test_simulated_instruments(
    monkeypatch: pytest.MonkeyPatch, resource: str, what: str, identity: str, query: str, value: float
) -> None:
    monkeypatch.setenv("LOTPROOF_VISA", SIMULATED)
    events = _loop(resource, Plan(0.01, count=3), what)
    assert events[0] == Opened(identity, query)
    assert _values(events) == pytest.approx([value] * 3)
    assert isinstance(events[-1], Ended)
    assert events[-1].why == "enough"


def test_an_open_circuit_is_an_overload_and_ends_the_loop(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LOTPROOF_VISA", SIMULATED)
    events = _loop("TCPIP0::192.0.2.7::5025::SOCKET", Plan(0.005), "resistance")
    assert _values(events) == []
    assert len([one for one in events if isinstance(one, Read)]) == reading.MOST_WITHOUT_VALUE
    assert isinstance(events[-1], Ended)
    assert events[-1].why == "odd"
    assert "Overload" in events[-1].text


# --- a real socket ----------------------------------------------------------------------------------------------------


def test_answers_without_a_value_do_not_end_the_loop() -> None:
    answers = ["0.012", "0.012", "9.9E37", "garbage", "", "9.91E37", "0.013"]
    with scpi_server(answers) as server:
        events = _loop(server.resource, Plan(0.01, count=2))
    assert _values(events) == [0.012, 0.013]
    told = [one.said for one in events if isinstance(one, Read) and one.value is None]
    assert [text.split(":")[0][:28] for text in told] == [
        "Overload",
        "The instrument answered 'gar",
        "The instrument answered with",
        "The instrument has no value ",
    ]


@pytest.mark.parametrize("trouble", [DROP, SILENT])
def test_a_lost_link_is_opened_again_and_said(trouble: str) -> None:
    with scpi_server(["0.011", "0.012", trouble, "0.013", "0.014"]) as server:
        events = _loop(server.resource, Plan(0.01, count=3))
        assert server.connections == 2
    assert _values(events) == [0.012, 0.013, 0.014]
    assert "The link was lost" in _said(events)
    assert "The link is back." in _said(events)


def test_a_late_answer_is_not_taken_for_the_next_one() -> None:
    def answers(number: int) -> str:
        if number == 3:
            time.sleep(2 * TIMEOUT_S)  # this answer comes when nobody waits for it any more
        return f"0.0{number}"

    with scpi_server(answers) as server:
        events = _loop(server.resource, Plan(0.01, count=4))
    assert _values(events) == [0.02, 0.04, 0.05, 0.06]


def test_what_comes_unasked_is_not_taken_for_an_answer() -> None:
    with scpi_server(lambda number: f"0.0{number}\nREADY") as server:
        events = _loop(server.resource, Plan(0.05, count=3))
    assert _values(events) == [0.02, 0.03, 0.04]


def test_a_link_that_stays_lost_ends_the_loop_in_bounded_time() -> None:
    begun = time.monotonic()
    with scpi_server(["0.011", "0.012", DROP], refuses=lambda number: number > 1) as server:
        events = _loop(server.resource, Plan(0.01))
        assert server.connections == 1 + len(reading.BACK_OFF_S)
    assert time.monotonic() - begun < 10 * (len(reading.BACK_OFF_S) + 1) * TIMEOUT_S
    assert _values(events) == [0.012]
    assert isinstance(events[-1], Ended)
    assert events[-1].why == "lost"
    assert "did not come back in 5 tries" in events[-1].text


def test_a_link_that_is_lost_again_and_again_ends_the_loop() -> None:
    with scpi_server(["0.011", SILENT]) as server:
        events = _loop(server.resource, Plan(0.01))
    assert isinstance(events[-1], Ended)
    assert events[-1].why == "lost"
    assert f"lost {reading.MOST_LOSSES + 1} times" in events[-1].text


def test_another_instrument_at_the_same_address_is_not_read_on() -> None:
    with scpi_server(["0.011", "0.012", DROP]) as server:
        events = []
        for event in reading.loop(Link(server.resource, TIMEOUT_S), scpi.quantity("current"), Plan(0.01)):
            events.append(event)
            if isinstance(event, Said):
                server._identity = "Tregarth,TS-30,8,1.0"
    assert isinstance(events[-1], Ended)
    assert events[-1].text == "Another instrument answers now: Tregarth,TS-30,8,1.0."


def test_an_instrument_that_says_neither_name_nor_unit_is_read_all_the_same() -> None:
    with scpi_server(["25.0"], knows=("MEAS:TEMP?",), identity=None) as server:
        events = _loop(server.resource, Plan(0.01, count=1), "temperature")
    assert events[0] == Opened(None, "MEAS:TEMP?")
    assert "taken for granted" in _said(events)
    assert _values(events) == [25.0]


def test_a_name_cannot_steer_the_terminal() -> None:
    with scpi_server(["0.1"], identity="Tregarth\x1b[2J\x07" + 500 * "x") as server:
        opened = _loop(server.resource, Plan(0.01, count=1))[0]
    assert isinstance(opened, Opened)
    assert opened.identity is not None
    assert opened.identity.startswith("Tregarth?[2J?x")
    assert len(opened.identity) == 200


def test_a_query_of_ones_own() -> None:
    with scpi_server(["0.5"], knows=("READ?",)) as server:
        assert _values(_loop(server.resource, Plan(0.01, count=1), query="READ?")) == [0.5]
        with pytest.raises(BadRequest, match="does not measure current when asked: no answer to MEAS:CURR\\?"):
            _loop(server.resource, Plan(0.01, count=1))


@pytest.mark.parametrize(
    ("resource", "match"),
    [
        ("TCPIP::127.0.0.1::1::SOCKET", "Connection refused"),
        ("TCPIP::no-such-host.invalid::5025::SOCKET", "No instrument can be read"),
        ("ASRL/dev/none::INSTR", "could not open port"),
        ("TCPIP::::SOCKET", "No instrument can be read|no VISA resource"),
    ],
)
def test_nothing_there_is_one_sentence(resource: str, match: str) -> None:
    with pytest.raises(BadRequest, match=match):
        _loop(resource, Plan(0.01, count=1))


def test_a_closed_link_answers_nothing() -> None:
    with pytest.raises(LinkLost, match="not open"):
        Link("TCPIP::127.0.0.1::1::SOCKET").ask("*IDN?")


# --- time -------------------------------------------------------------------------------------------------------------


def test_readings_keep_their_distance_and_late_ones_are_left_out() -> None:
    with scpi_server(["0.01"], delay_s=0.05) as server:
        events = _loop(server.resource, Plan(0.02, count=5))
    times = [one.time_s for one in events if isinstance(one, Read)]
    assert times[0] == 0.0
    # An answer takes 50 ms, so every third turn of 20 ms can be kept and two are missed.
    assert all(0.04 <= later - earlier <= 0.2 for earlier, later in itertools.pairwise(times))
    ended = events[-1]
    assert isinstance(ended, Ended)
    assert ended.missed >= 4


def test_a_time_ends_it() -> None:
    with scpi_server(["0.01"]) as server:
        events = _loop(server.resource, Plan(0.02, for_s=0.1))
    assert 3 <= len(_values(events)) <= 6  # turns at 0, 20, ... 100 ms, some of which a busy machine misses
    assert "Read for 0.1 s" in _said(events)


class _Asked:
    """Somebody who asks to stop at once when told, even in the middle of a wait."""

    def __init__(self) -> None:
        self.now = False

    def asked(self) -> bool:
        return self.now

    @contextmanager
    def interruptible(self) -> Iterator[None]:
        if self.now:
            raise KeyboardInterrupt
        yield

    def wait(self, seconds: float) -> None:
        time.sleep(seconds)


def test_stopping_keeps_what_was_read() -> None:
    stop = _Asked()
    with scpi_server(["0.01"]) as server:
        events: list[Event] = []
        for event in reading.loop(Link(server.resource, TIMEOUT_S), scpi.quantity("current"), Plan(0.01), stop):
            events.append(event)
            stop.now = len(_values(events)) == 3
    assert _values(events) == [0.01] * 3
    assert events[-1] == Ended("stopped", "Stopped by hand.")


@pytest.mark.parametrize("wrong", [{"every_s": 0.0}, {"every_s": float("nan")}, {"count": 0}, {"for_s": 0.0}])
def test_plans_that_cannot_be_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(BadRequest):
        Plan(**wrong)  # type: ignore[arg-type]


# --- the table --------------------------------------------------------------------------------------------------------


def test_the_table_has_everything_and_is_taken_by_the_tests(tmp_path: Path) -> None:
    with scpi_server(["0.011", "0.012", "9.9E37", DROP, "0.013"]) as server:
        asked = LiveRequest(server.resource, every="10 ms", count=2, clock="4 MHz", timeout="200 ms")
        live = lives.ready(asked, tmp_path / "new" / "readings.csv")
        seen = 0
        events = []
        for event in lives.read(live):
            events.append(event)
            if isinstance(event, Read):
                seen += 1
                # What is told is in the file already.
                assert len(live.path.read_text(encoding="utf-8").splitlines()) == 1 + seen
    taken = lives.current_taken(live, events)
    assert taken.instrument == f"Penhallow Instruments,PM-6,00017,2.4 at {server.resource}"
    assert any("Overload" in note for note in taken.notes)
    assert "The link was lost once while reading." in taken.notes
    again, source = tables.current_table(live.path)
    assert [(one.current_a, one.clock_hz) for one in again] == [(0.012, 4e6), (0.013, 4e6)]
    assert [one.current_a for one in taken.readings] == [0.012, 0.013]
    assert source.data == taken.source.data
    with pytest.raises(BadRequest, match="is there already"):
        lives.ready(asked, live.path)


def test_a_full_disk_keeps_whole_lines_only(tmp_path: Path) -> None:
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    path = tmp_path / "readings.csv"
    # Each answer another: on a busy machine two lines can be of one millisecond, and would repeat each other.
    with scpi_server(lambda number: f"0.0{number:02d}") as server:
        live = lives.ready(LiveRequest(server.resource, every="5 ms", count=50), path)
        told = []
        try:
            # The system refuses to let any file grow beyond this, in the middle of a line.
            resource.setrlimit(resource.RLIMIT_FSIZE, (300, limits[1]))
            with pytest.raises(BadRequest, match="can take no more readings"):
                told.extend(lives.read(live))
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, limits)
    assert path.read_bytes().endswith(b"Z,\n")
    readings, source = tables.current_table(path, clock_hz=1e6)
    assert 3 <= len(readings) <= 8
    assert source.notes == ()


def test_a_place_that_cannot_be_written_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with scpi_server(["0.011"]) as server:
        live = lives.ready(LiveRequest(server.resource, every="5 ms", count=1), tmp_path / "file" / "readings.csv")
        with pytest.raises(BadRequest, match="cannot be written"):
            list(lives.read(live))


# --- a serial port ----------------------------------------------------------------------------------------------------


def test_an_instrument_on_a_serial_port() -> None:
    """The other end of a pseudo-terminal answers as a meter with carriage returns and line feeds does."""
    ours, theirs = pty.openpty()
    tty.setraw(theirs)
    name = os.ttyname(theirs)

    def answer() -> None:
        answers = {b"*IDN?": b"Tregarth,TS-30,8,1.0", b"MEAS:CURR:DC?": b"+0.0962"}
        waiting = b""
        with suppress(OSError):  # the test has closed the line
            while True:
                waiting += os.read(ours, 100)
                while b"\n" in waiting:
                    line, _, waiting = waiting.partition(b"\n")
                    os.write(ours, answers[line.strip()] + b"\r\n")

    thread = threading.Thread(target=answer, daemon=True)
    thread.start()
    events = _loop(f"ASRL{name}::INSTR", Plan(0.01, count=3))
    os.close(theirs)
    thread.join(5)
    os.close(ours)
    assert events[0] == Opened("Tregarth,TS-30,8,1.0", "MEAS:CURR:DC?")
    assert _values(events) == [0.0962] * 3


# --- streams ----------------------------------------------------------------------------------------------------------


def test_a_stream_for_other_tests_ends_with_a_sentence_when_it_breaks_off(tmp_path: Path) -> None:
    with scpi_server(["25.0", "25.0", "25.5", DROP], refuses=lambda number: number > 1) as server:
        asked = LiveRequest(server.resource, what="temperature", every="10 ms", timeout="200 ms")
        live = lives.ready(asked, tmp_path / "readings.csv")
        came, told = [], []
        with pytest.raises(BadRequest, match=r"did not come back .*readings\.csv; it can be used with --from"):
            came.extend(lives.stream(live, tell=told.append))
    assert [value for _, value in came] == [25.0, 25.5]
    assert came[0][0] == 0.0
    assert any(isinstance(event, Said) for event in told)
    assert len(live.path.read_text(encoding="utf-8").splitlines()) == 3


def test_a_current_with_the_wrong_sign_is_not_used(tmp_path: Path) -> None:
    with scpi_server(["-0.011"]) as server:
        live = lives.ready(LiveRequest(server.resource, every="10 ms", count=1), tmp_path / "readings.csv")
        with pytest.raises(BadRequest, match=r"negative current.*polarity"):
            lives.current_taken(live, list(lives.read(live)))


@pytest.mark.parametrize(
    ("wrong", "match"),
    [
        ({"resource": "the meter on the left"}, "is no VISA resource"),
        ({"what": "loudness"}, "nothing that can be read"),
        ({"every": "1"}, "has no unit"),
        ({"every": "1 V"}, "is a voltage"),
        ({"every": "1 ms"}, "5 ms to a day"),
        ({"duration": "0 s"}, "above 0"),
        ({"clock": "4 mA"}, "is a current"),
        ({"timeout": "1 h"}, "50 ms to 120 s"),
    ],
)
def test_wrong_requests_open_nothing(tmp_path: Path, wrong: dict[str, str], match: str) -> None:
    request = LiveRequest(**{"resource": "TCPIP::192.0.2.7::5025::SOCKET", **wrong})
    with pytest.raises(BadRequest, match=match):
        lives.ready(request, tmp_path / "readings.csv")
