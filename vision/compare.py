"""Piece against siblings, piece against exemplar: who differs from the others, by how much, and would it have shown.

Every piece is compared with the group without itself, by median and MAD (see `vision.spread`), so that a minority of
two among six stands out, both of them. Exemplars, where given, are the reference; siblings count where the exemplar
does not speak for the piece. A group that falls into two halves cannot say which half is wrong: then all are 'slight'.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from vision.columns import Column, columns
from vision.geometry import apply, as_quad
from vision.matching import MatchedLine, Relative, match_lines
from vision.observations import Lettering, Observation, PieceView, Quad
from vision.older_marking import older_marking
from vision.quantities import (
    ACROSS,
    BELOW,
    BETWEEN,
    COHERENCE,
    GRAIN,
    HEIGHT,
    LENGTH,
    LINED,
    ROUGHNESS,
    SCRATCHES,
    SHAPE,
    SPACING,
    STEPS,
    STROKE,
    Quantity,
)
from vision.reuse import Fingerprint, Reuse, fingerprint, reuse_observation, reused
from vision.sentences import sentence
from vision.spread import LEAST_SIBLINGS, Deviation, deviation, levelled
from vision.swab import swab

__all__ = ["Fingerprint", "Reuse", "compare", "fingerprint", "reuse_observation", "reused", "swab"]

Result = tuple[tuple[Observation, ...], tuple[str, ...]]

OTHER_BODY = 0.3
"""Logarithm of a ratio of proportions: an outline may be off by a quarter, not by a third (common practice)."""
FIRM, FIRM_LENGTH = 0.89, 4
"""A line read this surely, of so many characters, belongs to the layout (common practice, no source)."""
LEANS = 2.2
"""A second measure of the same thing bears the first out from so many widths on (common practice, no source)."""
TOGETHER = 0.6
"""What such a measure adds, in quadrature, to the first (common practice, no source)."""
SUPPORTS: dict[Quantity, tuple[tuple[Quantity, bool], ...]] = {
    GRAIN: ((ROUGHNESS, True),),
    ROUGHNESS: ((GRAIN, True),),
    LINED: ((COHERENCE, True), (SCRATCHES, True)),
    COHERENCE: ((LINED, True), (SCRATCHES, True)),
    SCRATCHES: ((LINED, True), (COHERENCE, True)),
    SHAPE: ((STROKE, False), (STEPS, False), (SPACING, False)),
    STEPS: ((SHAPE, False), (STROKE, False)),
    STROKE: ((SHAPE, False),),
    LENGTH: ((HEIGHT, True),),
    ACROSS: ((BELOW, False),),
    BELOW: ((ACROSS, False),),
}
"""Which measures bear each other out, and whether in the same sense only."""
DECISIVE = (SHAPE, STEPS, LENGTH, ACROSS, BELOW)
"""What alone may accuse a piece, even slightly; where a group falls into two halves these say nothing."""
LEAVES_STROKES = (SHAPE.code, LENGTH.code, ACROSS.code, LINED.code)
"""What by itself leaves strokes where siblings have none: they speak of no older marking then."""
LEAST_LINED = {COHERENCE: 0.2, SCRATCHES: 0.3, LINED: 0.3}
"""What is below these is no sanding whatever the siblings show (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class _Finding:
    """A deviation that exceeds its bound."""

    quantity: Quantity
    deviation: Deviation
    entry: Relative
    against: str


def compare(views: Sequence[PieceView], exemplars: Sequence[PieceView] = ()) -> list[Result]:
    """Compare the pieces of one group with each other and with known-good ones.

    Parameters
    ----------
    views : sequence of PieceView
        Pieces of the same part from one lot, measured; in any number of photos.
    exemplars : sequence of PieceView
        Known-good pieces of the same part.

    Returns
    -------
    list of (tuple of Observation, tuple of str)
        One entry a view, in order: what was observed, and the codes that could have been seen, found or not.
    """
    everyone = [*views, *exemplars]
    if not views:
        return []
    matched = match_lines(everyone)
    table = columns(everyone, matched)
    alike = _printed_alike(everyone, matched)
    bodies = _bodies_alike(everyone)
    findings: list[list[_Finding]] = [[] for _ in views]
    hints: list[dict[Quantity, float]] = [{} for _ in views]
    looked: list[set[str]] = [set() for _ in views]
    photos = [view.photo for view in views]
    asked = []
    for column in table:
        near = [a & b for a, b in zip(alike, bodies, strict=True)] if column.quantity.family == "lettering" else bodies
        asked.append((column, deviations(column, photos, near)))
    for column, judged in asked:
        for k, deviating in judged.items():
            for d, _ in deviating:
                hints[k][column.quantity] = max(hints[k].get(column.quantity, 0.0), d.score, key=abs)
    for column, judged in asked:
        _judge(column, judged, findings, looked, hints)
    results: list[Result] = []
    for k, view in enumerate(views):
        observed = [_observation(f, view, _borne_out(f, hints[k])) for f in _worst(findings[k])]
        observed += older_marking(k, views, exemplars, looked[k])
        results.append((tuple(observed), tuple(sorted(looked[k]))))
    return results


def _printed_alike(views: Sequence[PieceView], matched: Sequence[Sequence[MatchedLine]]) -> list[set[int]]:
    """Which pieces each one's print may be compared with: those with its other lines, too, not the part number alone.

    One part is made by several makers and in several years, each with a layout of its own; a forger prints what the
    others show.
    """
    slots = [{line.slot for line in lines} for lines in matched]
    firm = [
        {
            line.slot
            for line in lines
            if len(line.text) >= FIRM_LENGTH and view.lines[line.geometry.line].confidence >= FIRM
        }
        for view, lines in zip(views, matched, strict=True)
    ]
    count = range(len(views))
    return [{j for j in count if len(slots[k] & slots[j]) >= max(1, min(2, len(firm[k]), len(firm[j])))} for k in count]


def _bodies_alike(views: Sequence[PieceView]) -> list[set[int]]:
    """Which pieces may be compared with each one at all: an outline of quite other proportions holds something else.

    The same part in another package is nobody's odd sibling, and an outline around two chips is none either.
    """
    ratios = [float(np.log(v.face.image.shape[1] / max(1, v.face.image.shape[0]))) for v in views]
    return [{j for j, other in enumerate(ratios) if abs(other - own) <= OTHER_BODY} for own in ratios]


def _judge(
    column: Column,
    judged: Mapping[int, list[tuple[Deviation, str]]],
    findings: list[list[_Finding]],
    looked: list[set[str]],
    hints: list[dict[Quantity, float]],
) -> None:
    """Compare one quantity of all pieces, add what is found and what was looked for."""
    quantity = column.quantity
    flagged: dict[int, _Finding] = {}
    for k, deviating in judged.items():
        if any(d.visible <= quantity.telling for d, _ in deviating):
            looked[k].update(_codes(quantity))
        found = _decide([(_with_support(d, quantity, hints[k]), against) for d, against in deviating])
        if found is not None:
            flagged[k] = _Finding(quantity, found[0], column.entries[k], found[1])  # type: ignore[arg-type]
    offsets = [e.offset for e in column.entries[: len(findings)] if e is not None]
    for k, finding in flagged.items():
        # Where as many pieces are like this one as are not, the pictures cannot say which kind is right.
        like = sum(abs(offset - finding.entry.offset) < 0.5 * abs(finding.deviation.difference) for offset in offsets)
        # Sanding speaks for itself, whatever part of the group shows it.
        undecided = finding.against == "siblings" and finding.quantity not in LEAST_LINED
        halves = undecided and 2 * like >= len(offsets)
        if halves and quantity in DECISIVE:
            continue
        findings[k].append(replace(finding, against="halves") if halves else finding)


def deviations(
    column: Column, photos: Sequence[str | None], alike: Sequence[set[int]] = ()
) -> dict[int, list[tuple[Deviation, str]]]:
    """How far each piece lies from the exemplars and from its siblings, as far as either can be asked."""
    quantity, count = column.quantity, len(photos)
    good = [e for e in column.entries[count:] if e is not None]
    result: dict[int, list[tuple[Deviation, str]]] = {}
    for k in range(count):
        entry = column.entries[k]
        if entry is None:
            continue
        others = [j for j, e in enumerate(column.entries[:count]) if e is not None and j != k]
        if alike:
            others = [j for j in others if j in alike[k]]
        # Beside each other in one photo pieces share light, focus and camera; then only those are asked.
        beside = [j for j in others if photos[j] == photos[k]]
        near = len(beside) >= LEAST_SIBLINGS
        siblings = [e for j in (beside if near else others) if (e := column.entries[j]) is not None]
        elsewhere = float(np.hypot(quantity.elsewhere, column.extra[k]))
        judged: list[tuple[Deviation, str]] = []
        if good:
            judged.append((_against(entry, good, elsewhere), "exemplar"))
        if len(siblings) >= LEAST_SIBLINGS:
            allowance = float(np.hypot(quantity.allowance, column.extra[k])) if near else elsewhere
            if near and column.light:
                siblings, u = _in_one_light(column, siblings, beside, k)
                allowance = float(np.hypot(allowance, u))
            judged.append((_against(entry, siblings, allowance), "siblings"))
        result[k] = judged
    return result


def _in_one_light(
    column: Column, siblings: Sequence[Relative], beside: Sequence[int], k: int
) -> tuple[list[Relative], float]:
    """The siblings beside a piece as they would be in its light, and how unsure that is."""
    lights = [column.light[j] for j in beside]
    values, u = levelled([s.offset for s in siblings], lights, column.light[k], column.quantity.allowance)
    return [replace(s, offset=v) for s, v in zip(siblings, values, strict=True)], u


def _against(entry: Relative, others: Sequence[Relative], allowance: float) -> Deviation:
    """Deviation of one entry from others."""
    return deviation(entry.offset, entry.u, [o.offset for o in others], [o.u for o in others], allowance)


def _decide(judged: Sequence[tuple[Deviation, str]]) -> tuple[Deviation, str] | None:
    """The exemplar speaks first; siblings count unless the piece is nearer to the exemplar than they are."""
    by = {against: d for d, against in judged}
    exemplar, siblings = by.get("exemplar"), by.get("siblings")
    if exemplar is not None and exemplar.strength:
        return exemplar, "exemplar"
    if siblings is None or not siblings.strength:
        return None
    if exemplar is not None and abs(exemplar.difference) < abs(siblings.difference - exemplar.difference):
        return None
    return siblings, "siblings"


def _codes(quantity: Quantity) -> tuple[str, ...]:
    """Codes a quantity can lead to."""
    if quantity in (ROUGHNESS, GRAIN):
        return ("surface-differs", "surface-coated")
    return (quantity.code,)


def _worst(findings: Sequence[_Finding]) -> list[_Finding]:
    """One finding a code, the strongest; lines of one direction matter only where they are more."""
    best: dict[str, _Finding] = {}
    for finding in findings:
        code = _code(finding)
        if code and (code not in best or abs(finding.deviation.score) > abs(best[code].deviation.score)):
            best[code] = finding
    if "surface-sanded" in best or "surface-coated" in best:
        best.pop("surface-differs", None)
    mark = best.get("surface-old-mark")
    if mark is not None and mark.quantity is BETWEEN and any(code in best for code in LEAVES_STROKES):
        best.pop("surface-old-mark")
    return list(best.values())


def _code(finding: _Finding) -> str:
    """The code a finding becomes, empty where its direction means nothing."""
    difference = finding.deviation.difference
    if finding.quantity in LEAST_LINED:
        return "surface-sanded" if difference > 0 and finding.entry.value >= LEAST_LINED[finding.quantity] else ""
    if finding.quantity in (ROUGHNESS, GRAIN) and difference < 0:
        return "surface-coated"
    if (finding.quantity is SHAPE and difference > 0) or (finding.quantity in (STEPS, BETWEEN) and difference < 0):
        return ""
    return finding.quantity.code


def _borne_out(finding: _Finding, hints: Mapping[Quantity, float]) -> bool:
    """Whether another measure of the same thing leans the same way, by itself too little to be said."""
    return _support(finding.quantity, finding.deviation.score, hints) > 0


def _support(quantity: Quantity, score: float, hints: Mapping[Quantity, float]) -> float:
    """The strongest score of another measure that leans the same way, unsigned; 0 where none does."""
    leaning = [
        abs(hint)
        for other, same_sense in SUPPORTS.get(quantity, ())
        if abs(hint := hints.get(other, 0.0)) >= LEANS and (not same_sense or hint * score > 0)
    ]
    return max(leaning, default=0.0)


def _with_support(d: Deviation, quantity: Quantity, hints: Mapping[Quantity, float]) -> Deviation:
    """The deviation as it counts together with another measure of the same thing, which is not independent of it."""
    if abs(d.score) < LEANS:
        return d
    together = float(np.hypot(d.score, TOGETHER * _support(quantity, d.score, hints)))
    return replace(d, width=d.width * abs(d.score) / together)


def _observation(finding: _Finding, view: PieceView, borne_out: bool) -> Observation:
    """Say it."""
    quantity, off = finding.quantity, finding.deviation
    value = finding.entry.value
    reference = value / float(np.exp(off.difference)) if quantity.logarithmic else value - off.difference
    strength = "slight" if finding.against == "halves" else "clear" if borne_out else (off.strength or "slight")
    outline = _print_outline(view) if quantity.family == "lettering" else view.outline
    message = sentence(quantity, off, finding.against, value, reference)
    return Observation(
        _code(finding), quantity.family, message, value, quantity.unit, reference, strength, outline or view.outline
    )


def _print_outline(view: PieceView) -> Quad | None:
    """Box around all measured lines, in the photo."""
    if not isinstance(view.lettering, Lettering) or not view.lettering.lines:
        return None
    corners = np.array([view.lines[entry.line].face_outline for entry in view.lettering.lines]).reshape(-1, 2)
    low, high = corners.min(axis=0), corners.max(axis=0)
    box = np.array([low, (high[0], low[1]), high, (low[0], high[1])])
    return as_quad(apply(view.face.to_photo, box))
