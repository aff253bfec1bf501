"""Which pieces of a lot are of one part, by what was read on them, misreadings allowed for."""

from collections import defaultdict
from collections.abc import Sequence
from difflib import SequenceMatcher

from vision.observations import Line, PieceView
from vision.read.reconcile import glyphs

LEAST_GLYPHS = 4
"""Shorter lines are shared by many parts."""
LEAST_CONTAINED = 6
"""A line this long inside another one is the same line with a logo or another mark read along with it."""
ALIKE, UNSURE = 0.8, 0.96
"""A reading less sure than UNSURE may share no more than this part of its characters with what really stands there;
two sure readings that differ are two parts (common practice, no source)."""


def groups(pieces: Sequence[PieceView]) -> list[list[int]]:
    """Group pieces that share a marking line of four glyphs or more (the part number), largest groups first.

    Parameters
    ----------
    pieces : sequence of PieceView

    Returns
    -------
    list of list of int
        Every piece in exactly one group, alone where no other shares a line with it.
    """
    exact = _exact(pieces)
    core = [group for group in exact if len(group) > 1]
    alone = [group[0] for group in exact if len(group) == 1]
    left = []
    for index in alone:
        # Half of a group must be its like: one more misreading there must not draw in a stranger.
        near = [g for g in core if 2 * sum(_kindred(pieces[index], pieces[j]) for j in g) >= len(g)]
        if near:
            max(near, key=len).append(index)
        else:
            left.append(index)
    loose: list[list[int]] = []
    for index in left:
        group = next((g for g in loose if all(_kindred(pieces[index], pieces[j]) for j in g)), None)
        if group is None:
            loose.append([index])
        else:
            group.append(index)
    return sorted((sorted(g) for g in core + loose), key=lambda g: (-len(g), g))


def _exact(pieces: Sequence[PieceView]) -> list[list[int]]:
    """Groups of pieces with an equal line."""
    by_line: dict[str, set[int]] = defaultdict(set)
    for index, piece in enumerate(pieces):
        for line in _telling(piece):
            by_line[glyphs(line.text)].add(index)
    free = set(range(len(pieces)))
    found: list[list[int]] = []
    for _, members in sorted(by_line.items(), key=lambda item: (-len(item[1]), item[0])):
        group = sorted(members & free)
        if group:
            found.append(group)
            free -= set(group)
    return found + [[i] for i in sorted(free)]


def _telling(piece: PieceView) -> list[Line]:
    """Lines that can name a part."""
    return [
        line
        for line in piece.lines
        if len(glyphs(line.text)) >= LEAST_GLYPHS and any(c.isdigit() for c in line.text) and not line.sideways
    ]


def _kindred(one: PieceView, other: PieceView) -> bool:
    """Whether a line of one is a line of the other, read otherwise."""
    return any(_same(a, b) for a in _telling(one) for b in _telling(other))


def _same(a: Line, b: Line) -> bool:
    short, long = sorted((glyphs(a.text), glyphs(b.text)), key=len)
    if len(short) >= LEAST_CONTAINED and short in long:
        return True
    if min(a.confidence, b.confidence) >= UNSURE or len(short) < LEAST_CONTAINED:
        return short == long
    return SequenceMatcher(None, short, long, autojunk=False).ratio() >= ALIKE
