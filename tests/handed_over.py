"""A lot that went all the way, for the tests of the dossier; everything is invented, and what photos show is staged."""

from pathlib import Path

from staged import Stage, chip, found, picture
from stock import TODAY, a_lot

from tracker.desk.bench import ClockRequest, CurrentRequest, run_clock, run_current
from tracker.desk.bench_entry import Typed
from tracker.desk.bench_in_circuit import InCircuitRequest, run_in_circuit
from tracker.desk.bench_soak import run_soak
from tracker.desk.bench_soak_entry import SoakRequest
from tracker.desk.decide import decide, declare_exemplar
from tracker.desk.fitting import fit
from tracker.desk.photograph import photograph
from tracker.desk.workspace import Workspace

HOSTILE = '<script>alert("x")</script> & #eval("1") *bold* $x$'
MINUTES = (0, 2, 4, 6, 8, 11, 15, 20, 26, 33, 40)
SOAK = tuple(f"{minute} min={24 + 20 * (1 - 2.718281828 ** (-minute / 8)):.2f} C" for minute in MINUTES)
"""A rise of 20 K above 24 C with a time constant of 8 min, to a hundredth of a kelvin."""
MACHINE, OWNER = "Laboratory counter Tellmark 220", "Tidewater job 231"
PRICE = "31.20"


def whole_story(workspace: Workspace, folder: Path, stage: Stage) -> Path:
    """Record a known-good lot L0001 and a doubtful lot L0002 that is seen, measured, decided and fitted.

    Returns the photo of L0002.
    """
    a_lot(workspace, seller="Fennimore Components", source="authorised", maker="Corvane", order="F-1")
    tops = [chip("CV6522AP", "8914", at=(20, 20 + 60 * row)) for row in range(3)]
    known = stage.put(picture(folder, "known.png", shade=70), *tops)
    photograph(workspace, "L0001", [known], operator="mira", today=TODAY)
    declare_exemplar(workspace, "L0001-01", "Bought from the maker's own distributor", operator="mira")
    a_lot(workspace, maker="Corvane", remark=HOSTILE, order="Q-7", price=PRICE, currency="EUR")
    shown = (found("surface-sanded", "surface"), found("lettering-height-differs", "lettering", "slight"))
    altered = chip("CV6522AP", "8914", at=(20, 100), observations=shown)
    path = stage.put(picture(folder, "lot.png"), chip("CV6522AP", "8914"), altered)
    photograph(workspace, "L0002", [path], operator="mira", today=TODAY)
    _measure(workspace)
    decide(workspace, ["L0002-02"], "reject", reason="draws too much", operator="jonas")
    fit(workspace, "L0002-01", MACHINE, "U12", owner=OWNER, operator="mira")
    in_circuit = InCircuitRequest(runs=True, duration="2 h", checks=("counts=pass",))
    run_in_circuit(workspace, "L0002-01", in_circuit, operator="mira")
    return path


def _measure(workspace: Workspace) -> None:
    typed = Typed(remark="with the blue lead")
    current = CurrentRequest(pairs=("1 MHz=12.1 mA", "2 MHz=13.0 mA"), u="0.2 mA", typed=typed)
    run_current(workspace, "L0002-02", current, operator="jonas")
    clock = ClockRequest(pairs=("1 MHz=pass", "2 MHz=pass", "3 MHz=fail"), grade="2 MHz")
    run_clock(workspace, "L0002-01", clock, operator="jonas")
    soak = SoakRequest(
        pairs=SOAK, limit="25 K", limit_source="the workshop's own", cold=True, typed=Typed(ambient="24 C")
    )
    run_soak(workspace, "L0002-01", soak, operator="jonas")
