"""The body's size in millimetres, where the inspection card gave a scale, against the claimed package's outline."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import hypot, sqrt

from tracker.bench.conformity import Conformity, verdict
from tracker.judgement.counts import CLEAR, SLIGHT
from tracker.judgement.marking import NOTHING, Checked
from tracker.judgement.observed import Remark
from tracker.knowledge.bodies import claimed_bodies
from tracker.knowledge.packages import PackageOutline
from vision.observations import CardView, Measure, PieceView, TopSize

CODE = "body-size-against-package"
RIM_MM = (0.1, 1.2)
"""By how much a body is longer and wider, where its mould parts, than the flat top that is seen: its sides slope by 5
to 15 degrees over half of its height and its edges are round (from memory of outline drawings)."""
PRINT_SHARE = 0.005
"""The printed scale is checked with a ruler to this share of a length; the camera cannot see a wrong one (common
practice, no source)."""
K, K_CLEAR = 2.0, 3.0
"""Coverage factors: outside the limits by more than 2 standard uncertainties is a slight finding, by more than 3 a
clear one. ILAC-G8's guard bands of 1 U and 1.5 U keep the risk of a wrong 'outside' below 2.5 % and 0.16 %."""
TELLING = 0.12
"""The smallest relative difference worth having looked for, as for sizes among siblings (from memory)."""
ALIKE, LEAST_ALIKE = 0.015, 3
"""From this many pieces on one card, all outside on one side by the same share to within ALIKE, the card's own scale is
the likelier fault (common practice, no source)."""
LEAST_NAMED = 0.5
"""Confidence from which the package seen narrows down what is claimed."""


@dataclass(frozen=True, slots=True)
class _Side:
    """One side of a body against its limits, mm; `name` is 'long' or 'wide'."""

    name: str
    value: float
    u: float
    limits: tuple[float, float]

    @property
    def outside(self) -> float:
        """How far beyond its nearer limit, in standard uncertainties; 0 or less inside."""
        return max(self.limits[0] - self.value, self.value - self.limits[1]) / self.u

    @property
    def limit(self) -> float:
        """The nearer limit."""
        return self.limits[0] if self.value < sum(self.limits) / 2 else self.limits[1]

    def verdict(self, k: float) -> Conformity:
        """The guard-banded verdict."""
        return verdict(self.value, self.u, lower=self.limits[0], upper=self.limits[1], k=k, unit="mm")


def body_side(seen: Measure, camera_height: Measure, top_mm: tuple[float, float]) -> tuple[float, float]:
    """Return a body's side and its standard uncertainty, mm.

    Parameters
    ----------
    seen : Measure
        The flat top's side as it measures on the card's plane.
    camera_height : Measure
        Of the camera above that plane, mm.
    top_mm : tuple of float
        Lowest and highest that the top may stand above the plane.

    Notes
    -----
    Seen from one point at height c, a plane at height h maps onto the card's plane by a scaling c / (c - h) about the
    point below the camera: equal in all directions and places, whatever the tilt. So the true side of the top is
    seen * (1 - h / c), and the body is longer by its rim. The terms of the uncertainty (GUM 5.1.2; ranges as
    rectangular distributions, GUM 4.3.7): what was seen, h, c, rim, print scale.
    """
    low, high = top_mm
    h, u_h = (low + high) / 2, (high - low) / sqrt(12)
    rim, u_rim = sum(RIM_MM) / 2, (RIM_MM[1] - RIM_MM[0]) / sqrt(12)
    c = camera_height.value
    value = seen.value * (1 - h / c) + rim
    u = hypot(
        seen.u * (1 - h / c),
        seen.value * u_h / c,
        seen.value * h / c**2 * camera_height.u,
        u_rim,
        value * PRINT_SHARE / sqrt(3),
    )
    return value, u


def check_sizes(pieces: Sequence[PieceView], card: CardView | None, part: str | None) -> list[Checked]:
    """Hold the sizes of the pieces of one photo against the outlines that the claimed part number allows.

    Parameters
    ----------
    pieces : sequence of PieceView
    card : CardView or None
    part : str or None
        The part number claimed.

    Returns
    -------
    list of Checked
        One a piece. Nothing is said or counted as looked for without a card, without a known outline, or where the
        uncertainty is too large to have shown a wrong body.
    """
    bodies = claimed_bodies(part) if part else ()
    if card is None or not bodies:
        return [NOTHING] * len(pieces)
    checked = [_check(piece, card, bodies) for piece in pieces]
    return _scale_in_doubt(checked)


def _check(piece: PieceView, card: CardView, bodies: Sequence[PackageOutline]) -> Checked:
    if not isinstance(piece.size, TopSize):
        return NOTHING
    if piece.package_confidence >= LEAST_NAMED:
        named = [body for body in bodies if body.name.split()[0] == piece.package]
        bodies = named or bodies
    sides = {body: _sides(piece.size, card, body) for body in bodies}
    best = min(bodies, key=lambda body: max(side.outside for side in sides[body]))
    worst = max(sides[best], key=lambda side: side.outside)
    if worst.verdict(K).verdict == "fail":
        strength = CLEAR if worst.verdict(K_CLEAR).verdict == "fail" else SLIGHT
        return Checked((_remark(best, worst, strength),), (CODE,))
    would_show = all(K * side.u + side.limits[1] - side.limits[0] <= TELLING * side.value for side in sides[best])
    return Checked((), (CODE,) if would_show else ())


def _sides(size: TopSize, card: CardView, body: PackageOutline) -> tuple[_Side, _Side]:
    long = _Side("long", *body_side(size.length, card.camera_height, body.top_mm), body.length_mm)
    wide = _Side("wide", *body_side(size.width, card.camera_height, body.top_mm), body.width_mm)
    return long, wide


def _remark(body: PackageOutline, worst: _Side, strength: str) -> Remark:
    low, high = worst.limits
    return Remark(
        CODE,
        f"By the card's scale the body is {worst.value:.1f} mm {worst.name}, uncertain by {K * worst.u:.1f} mm; "
        f"{body.name} bodies are {low:.1f} to {high:.1f} mm {worst.name} ({body.source}).",
        strength,
        "body",
        value=round(worst.value, 2),
        unit="mm",
        reference=worst.limit,
        reference_range=worst.limits,
    )


def _scale_in_doubt(checked: list[Checked]) -> list[Checked]:
    """Where every piece is off alike, the card may be printed at a wrong size: say so, and count it as slight."""
    remarks = [one.remarks[0] for one in checked if one.remarks]
    looked = sum(CODE in one.looked_for for one in checked)
    shares = [r.value / r.reference for r in remarks if r.value and r.reference]
    if len(shares) < LEAST_ALIKE or len(shares) < looked or max(shares) - min(shares) > ALIKE:
        return checked
    if not (min(shares) > 1 or max(shares) < 1):
        return checked
    advice = " Every chip on this card is off alike: check the card's printed scale with a ruler first."
    return [
        Checked(tuple(replace(r, strength=SLIGHT, message=r.message + advice) for r in one.remarks), one.looked_for)
        for one in checked
    ]
