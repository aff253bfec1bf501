"""What a bench test measured, in rows for a person: the same words on the terminal and on the pages."""

import math
from typing import TYPE_CHECKING

from tracker.bench.figures import percent, show, show_in, show_with_u

if TYPE_CHECKING:
    from tracker.bench.clock import Ceiling, ClockResult
    from tracker.bench.current import CurrentLine, CurrentResult
    from tracker.bench.curve import CurveResult, PinResult
    from tracker.bench.in_circuit import InCircuitResult
    from tracker.bench.power import Measured, PowerResult
    from tracker.bench.signature import Identity, SignatureResult
    from tracker.bench.soak_verdict import SoakResult
    from tracker.desk.bench_record import Recorded, Result

Rows = list[tuple[str, str]]
_LONG_S = 6 * 3600.0  # from here on a run is told in hours
_SHORT_S = 120.0  # up to here in seconds


def current_text(result: "CurrentResult") -> Rows:
    """Return a supply current in rows."""
    where = "" if result.at_hz is None else f" at {show(result.at_hz, 'Hz')}"
    rows = [("current", f"{show_with_u(result.current_a, result.u_a, 'A')}{where}")]
    if result.u_source != "stated":
        rows.append(("uncertainty", result.u_source))
    if result.fitted is not None:
        rows += [row for row in current_line_text(result.fitted) if row[0] != "caution"]
    if result.limit is not None:
        rows.append(("limit", f"{show(result.limit.max_a, 'A')}: {result.limit.what} ({result.limit.source})"))
    if result.conformity is not None:
        rows.append(("conforms", f"probability {percent(result.conformity.probability)}"))
    return rows


def clock_text(result: "ClockResult") -> Rows:
    """Return a clock ceiling and the grade it is held against in rows."""
    rows = [row for row in ceiling_text(result.ceiling) if row[0] != "caution"]
    if result.grade_hz is not None:
        rows.append(("grade", f"{show(result.grade_hz, 'Hz')} ({result.grade_source})"))
        rows.append(("margin", f"{100 * result.margin:g} %: {result.margin_source}"))
        rows.append(("correction", f"{result.correction.sentence} ({result.correction.source})"))
    return rows


def in_circuit_text(result: "InCircuitResult") -> Rows:
    """Return a run in a machine in rows."""
    return [
        ("runs", "yes" if result.runs else "no"),
        *(("check", f"{check.what}: {'in order' if check.passed else 'NOT in order'}") for check in result.checks),
        *([("uncertainty", result.board.u_source)] if result.board and result.board.u_source != "stated" else []),
    ]


def ceiling_text(found: "Ceiling") -> Rows:
    """Return a clock ceiling in lines for a person."""
    lower, upper = found.lower_hz, found.upper_hz
    if found.value_hz is not None and lower is not None and upper is not None:
        value, *ends = show_in((found.value_hz, lower, upper), lower, upper, "Hz")
        ceiling = f"{value}, {ends[0]} to {ends[1]} (95 %)"
    elif lower is not None:
        ceiling = f"at least about {show(lower, 'Hz')}"
    else:
        ceiling = f"at most about {show(upper or 0.0, 'Hz')}"
    return [
        ("ceiling", ceiling),
        ("try next", show(found.next_hz, "Hz", 3)),
        *(("caution", caution) for caution in found.cautions),
        ("prior", found.prior),
    ]


def current_line_text(found: "CurrentLine") -> Rows:
    """Return a fitted supply-current line in lines for a person."""
    slope = found.slope_a_per_hz
    if slope.se is None:
        per_mhz = f"{show(slope.value * 1e6, 'A')}/MHz (uncertainty not known)"
    else:
        per_mhz = f"{show_with_u(slope.value * 1e6, slope.se * 1e6, 'A')}/MHz"
    likely = found.technology
    return [
        ("static", show_with_u(found.static_a.value, found.static_a.se, "A")),
        ("slope", per_mhz),
        (
            "technology",
            f"CMOS {percent(likely.cmos)}, NMOS {percent(likely.nmos)}, bipolar {percent(likely.bipolar)} "
            "(declared models; common practice, no source)",
        ),
        *(("caution", caution) for caution in found.cautions),
    ]


def time_text(seconds: float) -> str:
    """Return a length of time as people say it: in seconds, minutes or hours."""
    if seconds >= _LONG_S:
        return show(seconds / 3600.0, "h")
    return show(seconds, "s") if seconds < _SHORT_S else show(seconds / 60.0, "min")


def slower_text(upper_k: float) -> tuple[str, str]:
    """Return in a line what anything slower than the fitted rise may still add."""
    return "slower", f"anything slower adds less than {max(upper_k, 0.0):.2g} K in as long again"


def soak_text(result: "SoakResult") -> Rows:
    """Return a heat soak in lines for a person."""
    rows: Rows = []
    rise, fitted = result.rise, result.fitted
    if rise is not None and rise.value_k is not None and rise.ambient_c is not None:
        places = min(max(1 - math.floor(math.log10(max(rise.within_k, 1e-9))), 1), 4)  # two digits of the width
        ends = f"{rise.lower_k:.{places}f} to {rise.upper_k:.{places}f} K"
        rows.append(
            ("rise", f"{show_with_u(rise.value_k, rise.u_k, 'K')} above ambient; 95 % from the readings: {ends}")
        )
        rows.append(("final", f"{rise.temp_c:.1f} C at an ambient of {rise.ambient_c:.1f} C"))
    elif rise is not None:
        rows.append(
            ("final", f"{show_with_u(rise.temp_c, rise.u_k, 'C')}; 95 % from the readings: +/-{rise.within_k:.2g} K")
        )
    if rise is not None:
        rows.append(slower_text(rise.creep_upper_k))
    if fitted is not None and rise is not None:
        rows.append(
            ("time constant", show_with_u(fitted.time_constant.value / 60.0, _minutes(fitted.time_constant.se), "min"))
        )
    rows += [
        ("readings", f"{result.readings} in {time_text(result.length_s)}, highest {result.highest_c:.1f} C"),
        ("model", f"{result.model} (declared)"),
        ("uncertainty", result.u_source),
        ("early stop", result.stop.sentence),
        ("stop rule", f"{result.stop.rule} ({result.stop.source})"),
        *_limit_text(result),
    ]
    housing = {"case": "case closed", "open": "open"}.get(result.housing or "")
    if housing:
        rows.append(("housing", housing))
    rows += [("spot", f"{spot.what} {spot.temp_c:.1f} C{_above(result, spot.temp_c)}") for spot in result.spots]
    if result.spots_note:
        rows.append(("", result.spots_note))
    return rows


def _minutes(seconds: float | None) -> float | None:
    return None if seconds is None else seconds / 60.0


def _above(result: "SoakResult", temp_c: float) -> str:
    if result.rise is None or result.rise.ambient_c is None:
        return ""
    return f", {temp_c - result.rise.ambient_c:.1f} K above ambient"


def _limit_text(result: "SoakResult") -> Rows:
    return [
        (
            "limit",
            f"{show(one.upper or 0.0, unit)} ({result.limit_source}); met with probability {percent(one.probability)}",
        )
        for one, unit in zip(result.conformity, result.limit_units, strict=True)
    ]


def identity_text(found: "Identity") -> Rows:
    """Return in rows whose electronic signature some bytes are."""
    rows = [("bytes", found.raw)]
    if found.maker_code is not None:
        parity = "odd, as the register asks for" if found.parity_odd else "even"
        rows.append(("maker code", f"{found.maker_code}, bank {found.bank}, parity {parity}"))
    if found.maker is not None:
        rows.append(("maker", f"{found.maker} ({found.maker_source})"))
    if found.device_code is not None:
        rows.append(("device code", found.device_code))
    if found.doubt:
        rows.append(("doubt", found.doubt))
    return rows


def signature_text(result: "SignatureResult") -> Rows:
    """Return an electronic signature and what the marking says in rows."""
    rows = [row for row in identity_text(result.identity) if row[0] != "doubt"]
    rows += [("stands for", f"{one.part} ({one.source})") for one in result.known]
    makers = " or ".join(result.marked.makers) or "not known"
    part = f", {result.marked.part}" if result.marked.part else ""
    rows.append(("marking", f"{makers}{part} ({result.marked.source})"))
    return rows


def power_text(result: "PowerResult") -> Rows:
    """Return the powers of a machine in rows."""

    def row(name: str, found: "Measured | None") -> Rows:
        return [] if found is None else [(name, show_with_u(found.value, found.u, found.unit))]

    return [
        *row("board", result.board_w),
        *row("supply", result.real_w),
        *row("apparent", result.apparent_va),
        *row("power factor", result.power_factor),
        *row("losses", result.loss_w),
    ]


def curve_text(result: "CurveResult") -> Rows:
    """Return pin curves in rows: what they were held against, and how each pin stands."""
    rows = [("pins", f"{len(result.swept)} swept, {len(result.pins)} compared")]
    if result.exemplars:
        rows.append(("exemplar", ", ".join(result.exemplars)))
        rows.append(("allowance", result.allowance))
    return [*rows, *((f"pin {one.pin}", _of_pin(one)) for one in result.pins)]


def _of_pin(one: "PinResult") -> str:
    distance = "" if one.distance is None else f", distance {one.distance:.1f} over {one.points} points"
    among = "" if one.scatter is None else f"; exemplars among themselves {one.scatter:.1f}"
    return f"{one.stand}{distance}{among}"


def suspicion_text(recorded: "Recorded[Result]") -> Rows:
    """Return what a run did to the piece's suspicion; nothing for a machine alone."""
    if recorded.suspicion is None:
        return []
    before, after = percent(recorded.suspicion.before), percent(recorded.suspicion.after)
    if recorded.weight_db == 0:
        return [("suspicion", f"{before} before, {after} now: an undecided test says nothing")]
    if recorded.suspicion.before == recorded.suspicion.after:
        once = "a test counts once, by its newest verdict, and each family of reasons is capped"
        return [("suspicion", f"{after} as before: {once} (weight {recorded.weight_db:+.1f} db)")]
    return [("suspicion", f"{before} before, {after} now (weight {recorded.weight_db:+.1f} db)")]
