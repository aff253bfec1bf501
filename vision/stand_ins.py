"""In a large group a few siblings stand for all: work with every pair would grow with the square of the group."""

from collections.abc import Sequence
from typing import TypeVar

Member = TypeVar("Member")

ENOUGH = 12
"""The median of so many lies within 0.4 of their standard deviation of the whole group's (1.2533 / sqrt(12), the
median's asymptotic standard error for a normal sample); more would not change what stands out by several of them."""


def stand_ins(members: Sequence[Member], most: int = ENOUGH) -> list[Member]:
    """Return at most so many members, spread evenly over all: pieces of one photo follow each other.

    Parameters
    ----------
    members : sequence
        In a fixed order.
    most : int
        At least 1; a sequence no longer than this is returned whole.
    """
    count = len(members)
    if count <= most:
        return list(members)
    return [members[(2 * k + 1) * count // (2 * most)] for k in range(most)]
