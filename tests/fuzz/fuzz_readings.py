"""Tables of readings: current, clock, curves, heat soak, how their heads are understood, and dumps in Intel HEX."""

import math
import tempfile
from pathlib import Path

import numpy as np
from fuzz_choices import Choices

from tracker.bench import curve_table, dumps
from tracker.bench.readings import clock_table, current_table
from tracker.bench.soak_table import Sensors, in_order, soak_table
from tracker.desk.table_preview import QUANTITIES, table_preview

MODULES = ("tracker.bench", "tracker.desk.table_preview")
_folder = Path(tempfile.mkdtemp(prefix="fuzz-readings-"))
_HEADS = {
    "current": (("clock_hz", "clock (MHz)", "clock", "f"), ("current_a", "current (mA)", "current", "I [uA]"),
                ("u_a", "u (mA)", "u"), ("clock_u_hz", "clock_u (kHz)"), ("note", "instant", "said")),
    "clock": (("clock_hz", "clock (MHz)", "clock"), ("passed", "Passed")),
    "curve": (("pin", "Pin"), ("voltage_v", "voltage (mV)", "voltage", "V"), ("current_a", "current [uA]", "current")),
    "soak": (("time_s", "time_min", "Time (h)", "time", "clock"), ("temp_c", "Temperature (F)", "temperature", "emf_mv",
             "resistance (kohm)"), ("ambient_c", "ambient (C)", "ambient"), ("instant", "said")),
}  # fmt: skip
_CELLS = {
    "clock": ("1000000", "2", "2 MHz", "4.2MHz", "0", "1e6", "1,5"),
    "current": ("0.012", "12.1", "12.1 mA", "96 uA", "-1 mA", "OL", "9.9E37", ""),
    "passed": ("1", "0", "pass", "fail", "yes", "No", "maybe"),
    "pin": ("1", "14", "A1", "VCC", "3 ", ""),
    "voltage": ("0", "-0.7", "0.65", "650 mV", "5 V", "1e3"),
    "time": ("0", "60", "120", "1 min", "0.5 h", "2 min", "90 s"),
    "temp": ("21.5", "41.5 C", "78.8 F", "300 K", "-274", "1.2 mV", "10 kohm"),
    "ambient": ("21", "21.5 C", ""),
    "u": ("0.1", "0.2 mA", "0"),
    "instant": ("2031-04-02T09:15:00Z", "2031-04-02T09:15:01Z", "2031"),
    "said": ("", "Overload", "no answer"),
}
_READERS = ("current", "clock", "curve", "soak", "preview", "hex", "typed")


def made(pick: Choices) -> bytes:
    """Return which reader is asked (one byte), and its file."""
    reader = pick.whole(0, len(_READERS) - 1)
    name = _READERS[reader]
    if name == "hex":
        return bytes([reader]) + _hex(pick)
    heads = _HEADS.get(name) or _HEADS[pick.one(tuple(_HEADS))]
    columns = [pick.one(group) for group in heads if pick.often(85)] or ["clock"]
    steady = pick.often(60)
    separator = pick.one((",", ",", ";", "\t"))
    lines = [columns, *([_cell(pick, column, steady, row) for column in columns] for row in range(pick.whole(1, 8)))]
    if pick.often(25):
        row = pick.one(lines)
        at = pick.whole(0, len(row) - 1)
        row[at] = pick.spoiled(row[at])
    if pick.often(5):
        pick.one(lines).append(pick.odd())
    data = pick.one(("\n", "\r\n")).join(separator.join(row) for row in lines).encode("utf-8", "surrogatepass")
    return bytes([reader]) + (pick.bent(data) if pick.often(12) else data)


def _cell(pick: Choices, column: str, steady: bool, row: int) -> str:
    kind = next((one for one in ("instant", "said", "passed", "pin", "ambient", "time", "clock", "current", "voltage")
                 if one in column.lower()), "temp" if any(one in column.lower() for one in ("temp", "emf", "resist"))
                else "u")  # fmt: skip
    if steady and kind not in ("passed", "pin", "said", "instant"):
        number = pick.whole(1, 999) / 10 if kind != "time" else row * 60
        unit = {
            "clock": " MHz",
            "current": " mA",
            "voltage": " V",
            "time": " s",
            "temp": " C",
            "ambient": " C",
            "u": " mA",
        }
        plain = column.endswith((")", "]", "_s", "_min", "_c", "_a", "_v", "_hz", "_mv"))
        return f"{number}{'' if plain else unit[kind]}"
    return pick.one(_CELLS[kind])


def _hex(pick: Choices) -> bytes:
    lines = []
    for _ in range(pick.whole(1, 5)):
        body = pick.raw(20)
        kind = pick.one((0, 0, 0, 2, 4, 3, 5, 1, 6))
        record = bytes([len(body), *pick.whole(0, 0xFFFF).to_bytes(2), kind]) + body
        right = (-sum(record)) % 256
        lines.append(b":" + (record + bytes([right if pick.often(90) else pick.whole(0, 255)])).hex().upper().encode())
    lines.append(b":00000001FF")
    data = b"\r\n".join(lines)
    return pick.bent(data) if pick.often(20) else data


def one_case(data: bytes) -> str:
    """Read a table with one of the readers; every number that comes out is one, and the same cells read the same."""
    name = _READERS[data[0] % len(_READERS)] if data else "current"
    path = _folder / ("dump.hex" if name == "hex" else "table.csv")
    path.write_bytes(data[1:])
    READ[name](path, data[1:])
    return f"accepted as {name}"


def _current(path: Path, _: bytes) -> None:
    readings, source = current_table(path)
    assert readings
    assert all(math.isfinite(one.current_a) for one in readings)
    _sayable(source.notes)


def _clock(path: Path, _: bytes) -> None:
    steps, _source = clock_table(path)
    assert all(math.isfinite(one.clock_hz) and one.clock_hz > 0 for one in steps)


def _curve(path: Path, _: bytes) -> None:
    points, _source = curve_table.table(path)
    assert all(math.isfinite(one.voltage_v) and math.isfinite(one.current_a) for one in points)
    curve_table.curves(points)


def _typed(_: Path, data: bytes) -> None:
    points = curve_table.typed(data.decode("utf-8", "replace"))
    assert points


def _soak(path: Path, _: bytes) -> None:
    table = in_order(soak_table(path, Sensors(cold_junction_c=21.0)), "rows")
    assert np.isfinite(table.time_s).all()
    assert np.isfinite(table.temp_c).all()
    assert table.ambient_c is None or np.isfinite(table.ambient_c).all()
    assert (np.diff(table.time_s) >= 0).all()
    _sayable(table.notes)


def _preview(path: Path, _: bytes) -> None:
    for test in QUANTITIES:
        found = table_preview(test, path)
        assert len(found.taken) == len(found.heads)


def _dump(path: Path, data: bytes) -> None:
    found = dumps.open_dump(path)
    assert found is not None
    assert len(data) > 0


def _sayable(notes: tuple[str, ...]) -> None:
    assert all(len(one) < 2000 for one in notes)


READ = {"current": _current, "clock": _clock, "curve": _curve, "typed": _typed, "soak": _soak, "preview": _preview,
        "hex": _dump}  # fmt: skip


def close() -> None:
    """Remove what was written."""
    import shutil

    shutil.rmtree(_folder, ignore_errors=True)
