"""Slips that make every curve another one: a prefix misread, a piece turned round or one pin off in its socket."""

from collections.abc import Callable, Iterator, Mapping

from tracker.bench.curve_table import Curve

_MOST = 0.8  # of the telling pins must be alike once a slip is undone, for it to be named; common practice, no source
_LEAST_PINS = 4  # fewer agree by chance in another order; common practice, no source

Agreement = Callable[[Mapping[str, Curve]], tuple[int, int]]
"""Of curves in some other order or scale: how many pins are alike, and how many tell anything."""


def slip(curves: Mapping[str, Curve], agreement: Agreement) -> str:
    """Return in words by what slip the curves become the exemplar's, or ''.

    Parameters
    ----------
    curves : mapping of pin to Curve
    agreement : Agreement

    Notes
    -----
    A piece without a die has a thousandth of the exemplar's current, too: so it is the shapes that have to agree. In
    another order pins agree only where they differ among themselves; that they did not agree before is the caller's
    to see.
    """
    for name in ("voltages", "currents"):
        for factor, word in ((1e3, "divided"), (1e-3, "multiplied")):
            alike, telling = agreement({pin: _scaled(curve, name, factor) for pin, curve in curves.items()})
            if telling and alike >= _MOST * telling:
                return f"The {name} are the exemplar's {word} by 1000: check the units of both tables."
    before, _ = agreement(curves)
    for words, moved in _displaced(curves):
        alike, telling = agreement(moved)
        if telling >= _LEAST_PINS and alike >= _MOST * telling and alike > 2 * before:
            return f"The curves are the exemplar's {words}: see how the piece sits, and sweep again."
    return ""


def _scaled(curve: Curve, name: str, factor: float) -> Curve:
    if name == "voltages":
        return Curve(curve.pin, curve.voltage_v * factor, curve.current_a)
    return Curve(curve.pin, curve.voltage_v, curve.current_a * factor)


def _displaced(curves: Mapping[str, Curve]) -> Iterator[tuple[str, dict[str, Curve]]]:
    """Yield the curves as they would be in a socket sat in otherwise, for pins that have numbers."""
    numbered = {int(pin): curve for pin, curve in curves.items() if pin.isdigit()}
    if not numbered:
        return
    for step in (1, -1):
        yield "one pin off", {str(pin + step): curve for pin, curve in numbered.items()}
    # The last pins are often supplies and not swept, so the number of pins is known only from below.
    highest = max(numbered)
    for count in range(highest + highest % 2, highest + 5, 2):
        half = count // 2
        yield (
            f"with the piece turned round (of {count} pins)",
            {str((pin - 1 + half) % count + 1): curve for pin, curve in numbered.items()},
        )
