"""What a current, a clock and an in-circuit test measured, in rows for a person."""

from typing import TYPE_CHECKING

from tracker.cli.calc import ceiling_text, current_line_text

if TYPE_CHECKING:
    from tracker.bench.clock import ClockResult
    from tracker.bench.current import CurrentResult
    from tracker.bench.in_circuit import InCircuitResult


def current_text(result: "CurrentResult") -> list[tuple[str, str]]:
    from tracker.bench.figures import percent, show, show_with_u

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


def clock_text(result: "ClockResult") -> list[tuple[str, str]]:
    from tracker.bench.figures import show

    rows = [row for row in ceiling_text(result.ceiling) if row[0] != "caution"]
    if result.grade_hz is not None:
        rows.append(("grade", f"{show(result.grade_hz, 'Hz')} ({result.grade_source})"))
        rows.append(("margin", f"{100 * result.margin:g} %: {result.margin_source}"))
        rows.append(("correction", f"{result.correction.sentence} ({result.correction.source})"))
    return rows


def in_circuit_text(result: "InCircuitResult") -> list[tuple[str, str]]:
    return [
        ("runs", "yes" if result.runs else "no"),
        *(("check", f"{check.what}: {'in order' if check.passed else 'NOT in order'}") for check in result.checks),
        *([("uncertainty", result.board.u_source)] if result.board and result.board.u_source != "stated" else []),
    ]
