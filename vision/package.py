"""What package a top belongs to, from the leads counted beside it and from its sizes in their pitch."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from vision.geometry import Corners, quad_sides
from vision.kinds import kinds
from vision.observations import Rgb
from vision.teeth import Row, Rows, rows_of_leads

Doubles = NDArray[np.float64]

# All figures here are common practice, no source: set by hand while looking at photographs of boards and at renderings.
# How strongly a place of the comb speaks for a lead there by its likeness to a tooth, from what likeness on, and no
# more than so much; tempered, for neighbours are not independent. A last lead is seen with less certainty.
_SLOPE, _EVEN, _MOST, _TEMPER, _LAST = 8.0, 0.3, 4.0, 0.65, 0.85
_UNSEEN = -12.0  # a row in shade or in a socket: its teeth say no less than this
# Standard deviations: of a row's middle against the outline's, in lengths; of the logarithm of the width between rows,
# and of where they begin, in pitches (both twice that where rows are faint); of the logarithms of the outline's length
# and of how far leads stand out (less than they should, and more: their solder and a socket may look like leads). How
# often outline, width and reach are quite wrong.
_MIDDLE, _WIDTH, _EDGE, _FAINT, _LENGTH, _SHORT, _FAR = 0.05, 0.05, 0.15, 0.7, 0.1, 0.4, 0.9
_WRONG_OUTLINE, _WRONG_WIDTH, _WRONG_REACH = 0.15, 0.02, 0.05
_REGULAR, _USUAL = 25.0, 0.6  # how much regularity speaks for leads, and from where on
# How often leads are darker than what is between them, by how bright the ground is against that: rarely so where both
# are alike, and more often where the ground is brighter still, as white paper is.
_DARK = (0.6, 1.0, 2.5), (0.05, 0.1, 0.5)
_PITCH = 0.08  # standard deviation of the logarithm of neighbouring sides' pitches
_NO_ROW = -8.3  # two rows are seen where there should be four
_ROW_INSIDE, _AS_REGULAR = -4.0, 0.8  # another row stands between the two that are taken for the chip's
_UNKNOWN = -1.0  # nothing known fits; leads that are seen say more
_NAMED, _FAMILY, _EITHER = 0.5, 0.6, 0.6  # probabilities from which a package, its family, one of two is named
# Three legs on one side: how regular they are, and no other side is; by how much three fit better than another number.
_LEGS, _NO_LEGS, _MARGIN, _TRANSISTOR = 0.7, 0.6, 1.5, "TO-92 or TO-220"
_BY_SHAPE = 0.3  # what a guess by the outline's proportions alone is worth
_SHAPE = 0.12  # standard deviation of their logarithm


@dataclass(frozen=True, slots=True, eq=False)
class _Table:
    """The kinds as columns; `long` and `short` index `counts` with the leads of their rows."""

    counts: NDArray[np.intp]
    long: NDArray[np.intp]
    short: NDArray[np.intp]
    four: NDArray[np.bool_]
    length: Doubles
    width: Doubles
    reach: Doubles
    common: Doubles


@cache
def _table() -> _Table:
    every = kinds()
    counts = np.array(sorted({k.along for k in every} | {k.across for k in every if k.across}))
    return _Table(
        counts=counts,
        long=np.searchsorted(counts, [k.along for k in every]),
        short=np.searchsorted(counts, [k.across or k.along for k in every]),
        four=np.array([k.across > 0 for k in every]),
        length=np.array([k.length for k in every]),
        width=np.array([k.width for k in every]),
        reach=np.array([k.reach for k in every]),
        common=np.log([k.common for k in every]),
    )


def package_of(image: Rgb, corners: Corners) -> tuple[str | None, float]:
    """Name the package as far as leads and shape tell it.

    Parameters
    ----------
    image : ndarray of uint8, shape (height, width, 3), RGB
    corners : ndarray of float64, shape (4, 2)
        Of the flat top, in photo pixels, clockwise.

    Returns
    -------
    name : str or None
        Such as 'DIP-40'; 'DIP', 'DIP or SOIC', 'TO-92 or TO-220' where the leads leave it open; None where nothing can
        be said.
    confidence : float
        0 to 1: the probability that the name is right; 0 where there is none. By the outline's proportions alone, where
        no leads are seen, it is low.
    """
    long, short = rows_of_leads(image, corners)
    if _three_legs(long, short) or _three_legs(short, long):
        return _TRANSISTOR, 0.5
    scores = np.append(_scores(long, short), _UNKNOWN)
    scores = np.exp(scores - scores.max())
    known = scores / scores.sum()
    narrow, wide = sorted(quad_sides(corners))
    return _named(known[:-1], float(known[-1]) * _by_shape(max(wide, 1.0) / max(narrow, 1.0)))


def _three_legs(rows: Sequence[Rows], others: Sequence[Rows]) -> bool:
    """Whether three leads stand out far from one side and none from the others, as those of a transistor do."""
    if not rows:
        return False
    regular = [max((row.regularity for row in side), default=0.0) for side in rows[0].sides]
    elsewhere = [row.regularity for one in others for side in one.sides for row in side]
    if max(regular) < _LEGS or max([min(regular), *elsewhere]) > _NO_LEGS:
        return False
    row = rows[0].sides[int(np.argmax(regular))][0]
    told = _row(row)
    three = _table().counts == 3
    far = row.outer > 0.3 * rows[0].depth and row.outer - row.inner > 0.8
    return bool(far and told[three].max() > told[~three].max() + _MARGIN)


def _named(by_leads: Doubles, by_shape: Doubles) -> tuple[str | None, float]:
    """The most telling name that is likely enough, and how sure it is."""
    for names, index, least in ((*_names(), _NAMED), (*_families(), _FAMILY)):
        found = np.array([np.bincount(index, by_leads), np.bincount(index, by_shape)])
        order = np.argsort(-found.sum(axis=0), kind="stable")
        if found[:, order[0]].sum() >= least:
            return names[order[0]], _confidence(found[:, order[0]])
    two = found[:, order[:2]].sum(axis=1)
    if two.sum() >= _EITHER:
        return " or ".join(sorted(names[one] for one in order[:2])), min(0.5, _confidence(two))
    return None, 0.0


@cache
def _names() -> tuple[tuple[str, ...], NDArray[np.intp]]:
    return _indexed([kind.name for kind in kinds()])


@cache
def _families() -> tuple[tuple[str, ...], NDArray[np.intp]]:
    return _indexed([kind.family for kind in kinds()])


def _indexed(words: Sequence[str]) -> tuple[tuple[str, ...], NDArray[np.intp]]:
    """Return each word once, and for every one of `words` which it is."""
    once = tuple(dict.fromkeys(words))
    return once, np.array([once.index(word) for word in words])


def _confidence(found: Doubles) -> float:
    return round(min(0.99, float(found[0] + _BY_SHAPE * found[1])), 2)


def _by_shape(aspect: float) -> Doubles:
    """Probabilities of the kinds by the outline's length over width."""
    table = _table()
    scores = table.common + _normal(np.log(aspect * table.width / table.length), _SHAPE)
    scores = np.exp(scores - scores.max())
    return np.asarray(scores / scores.sum())


def _scores(long: Sequence[Rows], short: Sequence[Rows]) -> Doubles:
    """Logarithm of how well each kind explains the rows, by the best pitch."""
    table = _table()
    across = [(rows, _sides(rows, table.short, table.length, table.width)) for rows in short]
    total = np.full(len(table.four), -99.0)
    for rows in long:
        along = table.common + _sides(rows, table.long, table.width, table.length)
        total = np.logaddexp(total, np.where(table.four, along + _NO_ROW, along))
        for others, theirs in across:
            alike = max(-12.0, -0.5 * (np.log(rows.pitch / others.pitch) / _PITCH) ** 2)
            total = np.where(table.four, np.logaddexp(total, along + theirs + alike), total)
    return np.asarray(total)


def _sides(rows: Rows, counts: NDArray[np.intp], width: Doubles, length: Doubles) -> Doubles:
    """The same of two opposite sides; sizes are those across and along these rows."""
    cut = any(row.cut for side in rows.sides for row in side)
    outline = _mixed(np.log(rows.length / length), _LENGTH, 1.0 if cut else _WRONG_OUTLINE)
    unseen: list[tuple[Row | None, Doubles]] = [(None, np.full(len(counts), _UNSEEN / 2))]
    first, second = ([(row, _row(row)[counts] + _reach(row)) for row in side] or unseen for side in rows.sides)
    told = []
    for one, its in first:
        for other, theirs in second:
            score = outline + its + theirs
            if one is not None and other is not None:
                measured = max(rows.depth + one.inner + other.inner, 0.1)
                faint = min(one.regularity, other.regularity) < _FAINT
                deviation = np.hypot(_WIDTH, _EDGE / width) * (2 if faint else 1)
                score = score + _mixed(np.log(measured / width), deviation, _WRONG_WIDTH)
                score = score + _ROW_INSIDE * (
                    _stands_inside(one, rows.sides[0]) + _stands_inside(other, rows.sides[1])
                )
            told.append(score)
    return np.asarray(np.logaddexp.reduce(told))


def _stands_inside(row: Row, side: Sequence[Row]) -> bool:
    """Whether another row, no less regular, stands farther inside: a body has none."""
    return any(
        other.outer < row.inner and other.inner > -8 and other.regularity > _AS_REGULAR * row.regularity
        for other in side
    )


def _row(row: Row) -> Doubles:
    """For each of the kinds' counts, the logarithm of how well a row of so many leads explains what is seen."""
    counts = _table().counts
    whole, first, last = _told(row.teeth[0]), _told(_LAST * row.teeth[1]), _told(_LAST * row.teeth[2])
    places = len(whole)
    sums = np.concatenate([[0.0], np.cumsum(whole)])
    start = np.arange(places)[None]
    end = start + counts[:, None] - 1
    fits = end < places
    end = np.minimum(end, places - 1)
    told = sums[end + 1] - sums[start]
    told = told + np.maximum(first - whole, 0)[start] + np.maximum(last - whole, 0)[end]
    middle = (row.places[start] + row.places[end]) / 2
    step = float(np.median(np.diff(row.places)))
    wrong = 1.0 if row.cut else _WRONG_OUTLINE
    centred = (1 - wrong) * np.exp(_normal(middle - 0.5, _MIDDLE)) + wrong * (np.abs(middle - 0.5) < 0.5)
    told = np.where(fits, told + np.log(centred * step + 1e-9), -60.0)
    dark = float(np.interp(row.ground, *_DARK))
    shade = np.log(dark if row.dark else 1 - dark)
    regular = _REGULAR * (row.regularity - _USUAL)
    best = np.logaddexp.reduce(told, axis=1) - np.maximum(whole, 0).sum()
    return np.asarray(np.logaddexp(best, _UNSEEN) + shade + regular)


def _told(likeness: Doubles) -> Doubles:
    """How much likeness to a tooth speaks for a lead (logarithm of a ratio); nothing where nothing can be seen."""
    return np.nan_to_num(_TEMPER * np.clip(_SLOPE * (likeness - _EVEN), -_MOST, _MOST))


def _reach(row: Row) -> Doubles:
    """How well each kind explains how far the leads stand out."""
    if row.regularity < 0.65:
        return np.zeros(len(_table().reach))
    off = np.log(max(0.12, row.outer - row.inner) / _table().reach)
    return 0.5 * _mixed(np.where(off > 0, off * _SHORT / _FAR, off), _SHORT, _WRONG_REACH)


def _normal(off: Doubles, deviation: float | Doubles) -> Doubles:
    return np.asarray(-0.5 * (off / deviation) ** 2 - np.log(deviation * np.sqrt(2 * np.pi)))


def _mixed(off: Doubles, deviation: float | Doubles, wrong: float) -> Doubles:
    """Logarithm of a normal density, or of an even one over a factor of twelve where the measurement is quite wrong."""
    return np.log((1 - wrong) * np.exp(_normal(off, deviation)) + wrong * 0.4)
