"""From weights to a probability: a prior and a sum a person can follow line by line."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import groupby

from tracker.judgement.counts import ABSENT, CLEAR, OUTCOMES, Basis
from tracker.judgement.observed import Observed
from tracker.judgement.together import AS_DECLARED, Together
from tracker.judgement.weights import Family, Weights, decibans, declared, families


@dataclass(frozen=True, slots=True)
class Weighed:
    """One fact with its weight.

    Parameters
    ----------
    code, family : str
    weight_db : float
        Decibans; positive speaks for 'not genuine'.
    message : str
        The reason, for a person.
    found : bool
        False for something looked for and not found.
    basis : Basis or None
        The counts its weight stands on; None where nobody declared it.
    """

    code: str
    family: str
    weight_db: float
    message: str
    found: bool = True
    basis: Basis | None = None


@dataclass(frozen=True, slots=True)
class InVain:
    """Something looked for and not found, in the sum or left out of it.

    Parameters
    ----------
    code, family, title : str
    weight_db : float
        Decibans, by itself; a family's absences together are bounded.
    counted : bool
        False where its family has a finding, beside which it says nothing.
    basis : Basis or None
    """

    code: str
    family: str
    title: str
    weight_db: float
    counted: bool
    basis: Basis | None = None


@dataclass(frozen=True, slots=True)
class SumLine:
    """One line of the sum.

    Parameters
    ----------
    kind : str
        'prior', 'siblings' (what the other pieces of its lot say), 'finding', 'absence' (of several indicators of a
        family together), 'cap', 'together' (what settled pieces say of such signs together) or 'note' (weighs
        nothing).
    text : str
    weight_db : float
        Decibans.
    family, code : str or None
    basis : Basis or None
        The counts that a finding's weight stands on.
    """

    kind: str
    text: str
    weight_db: float
    family: str | None = None
    code: str | None = None
    basis: Basis | None = None


@dataclass(frozen=True, slots=True)
class Suspicion:
    """How likely a piece is not what it claims, and the sum behind it.

    Parameters
    ----------
    probability : float
        0 to 1.
    total_db : float
        The sum of all lines: the odds in decibans.
    lines : tuple of SumLine
    capped : tuple of str
        Families whose sum reached its cap.
    signs_db : float
        What all signs say together, every family capped, as declared.
    left_out_db : float
        What else was looked for and not found, beside a finding or beyond a family's bound; not in `signs_db`.
    """

    probability: float
    total_db: float
    lines: tuple[SumLine, ...]
    capped: tuple[str, ...] = ()
    signs_db: float = 0.0
    left_out_db: float = 0.0
    weighed: tuple[tuple["Weighed", ...], ...] = ()
    """What went into the sum, family by family."""

    @property
    def in_vain(self) -> tuple[InVain, ...]:
        """What was looked for and not found, family by family."""
        return tuple(one for of_family in self.weighed for one in _in_vain(of_family))


def odds_to_probability(total_db: float) -> float:
    """Return the probability that odds of `total_db` decibans stand for: 0 db is one half."""
    if total_db < 0:
        odds = 10 ** (total_db / 10)
        return odds / (1 + odds)
    return 1 / (1 + 10 ** (-total_db / 10))


def probability_to_db(probability: float) -> float:
    """Return the odds in decibans of a probability strictly between 0 and 1.

    Raises
    ------
    ValueError
        Outside those bounds.
    """
    if not 0 < probability < 1:
        raise ValueError("a probability of 0 or 1 has no finite odds")
    return decibans(probability / (1 - probability))


def percent(probability: float) -> str:
    """Return a probability as people read it, never a false 0 % or 100 %."""
    if 0 < probability < 0.01:
        return "under 1 %"
    if 0.99 < probability < 1:
        return "over 99 %"
    return f"{probability * 100:.0f} %"


def counted(number: float, word: str) -> str:
    """Return a number with its word: '1 lot', '3 lots'."""
    return f"{number:g} {word}{'' if number == 1 else 's'}"


def weigh(
    found: Iterable[Observed], looked_for: Iterable[str] = (), weights: Weights | None = None
) -> tuple[Weighed, ...]:
    """Give observed facts, and what was looked for in vain, their weights.

    A code seen several times counts once, at its strongest. A code nobody declared counts 0 and says so: an unweighed
    fact may be read by a person but must not move a probability.

    Parameters
    ----------
    found : iterable of Observed
    looked_for : iterable of str
        Codes that could have been seen. Those among `found` are left out.
    weights : Weights, optional
        The declared ones where not given.

    Returns
    -------
    tuple of Weighed
        What was found, strongest first, then what was not.
    """
    known = declared() if weights is None else weights
    # Clear before slight, whatever either has come to weigh: a piece shows an indicator in one way.
    strongest: dict[str, Observed] = {}
    for fact in found:
        earlier = strongest.get(fact.code)
        if earlier is None or OUTCOMES.index(fact.strength) < OUTCOMES.index(earlier.strength):
            strongest[fact.code] = fact
    seen = sorted((_found(fact, known) for fact in strongest.values()), key=lambda item: (-item.weight_db, item.code))
    return (*seen, *_absent((code for code in looked_for if code not in strongest), known))


def _found(fact: Observed, weights: Weights) -> Weighed:
    return weighed_as(fact.code, fact.message, weights, fact.strength, fact.family)


def weighed_as(code: str, message: str, weights: Weights, strength: str = CLEAR, family: str | None = None) -> Weighed:
    """Return one fact with its weight and the counts that it stands on; 0 where nobody declared it.

    Parameters
    ----------
    family : str, optional
        As declared where not given.
    """
    known = weights.indicators.get(code)
    if known is None:
        return Weighed(code, family or "", 0.0, message)
    basis = weights.basis(code, strength)
    return Weighed(code, family or known.family, weights.weight_db(code, strength), message, basis=basis)


def _absent(codes: Iterable[str], weights: Weights) -> list[Weighed]:
    known, once = weights.indicators, weights.once
    return [once("absence", code, _in_vain_of) for code in dict.fromkeys(codes) if code in known]


def _in_vain_of(weights: Weights, code: str) -> Weighed:
    known = weights.indicator(code)
    weight, basis = weights.absent_weight_db(code), weights.basis(code, ABSENT)
    return Weighed(code, known.family, weight, known.title, found=False, basis=basis)


def combine(
    prior_db: float,
    items: Sequence[Weighed],
    *,
    prior_text: str = "Before looking",
    siblings: SumLine | None = None,
    notes: Sequence[str] = (),
    together: Together = AS_DECLARED,
) -> Suspicion:
    """Add weights to a prior, family by family, each family capped.

    Parameters
    ----------
    prior_db : float
        Prior odds of 'not genuine' in decibans.
    items : sequence of Weighed
    prior_text : str
        What the prior rests on.
    siblings : SumLine, optional
        What the other pieces of its lot say.
    notes : sequence of str
        What a reader should know of the facts; lines that weigh nothing.
    together : Together
        What signs have been worth together, as in the `Weights` that `items` were weighed with.

    Returns
    -------
    Suspicion
        Its lines add up to its total.

    Notes
    -----
    Facts of one family are not independent. Where a family has a finding, what was not found in it is left out: to be
    printed too high and not slanted is no less strange than to be printed too high. Where it has none, the absences
    count together, up to the family's `cap_absent`. How much of what is so left out should count after all depends on
    how signs go together, which nobody can declare: settled pieces tell (`tracker/judgement/together.py`).
    """
    lines = [SumLine("prior", prior_text, prior_db), *([] if siblings is None else [siblings])]
    capped, groups = [], list[tuple[Weighed, ...]]()
    signs = left_out = 0.0
    order = _order()
    known = sorted(items, key=lambda item: order.get(item.family, len(order)))
    for name, group in groupby(known, key=lambda item: item.family):
        of_family = tuple(group)
        groups.append(of_family)
        family = families().get(name)
        new, is_capped = _family_lines(family, of_family)
        lines += new
        if family is not None and family.looks_for_signs:
            signs += math.fsum([line.weight_db for line in new])
            left_out += math.fsum([item.weight_db for item in of_family if not item.found])
            left_out -= math.fsum([line.weight_db for line in new if line.kind == "absence"])
        if is_capped:
            capped.append(name)
    lines += _together_line(together, signs, left_out)
    total = math.fsum([line.weight_db for line in lines])
    lines += [SumLine("note", text, 0.0) for text in notes]
    return Suspicion(odds_to_probability(total), total, tuple(lines), tuple(capped), signs, left_out, tuple(groups))


@cache
def _order() -> Mapping[str, int]:
    return {name: place for place, name in enumerate(families())}


def _together_line(together: Together, signs_db: float, left_out_db: float) -> list[SumLine]:
    moved = (together.found - 1.0) * signs_db + together.in_vain * left_out_db
    if moved == 0.0:
        return []
    settled = f"{counted(together.pieces, 'settled piece')} of {counted(together.lots, 'lot')}"
    text = (
        f"Signs together, as {settled} have shown: those above count {_share(together.found)}, "
        f"what else was looked for and not found {_share(together.in_vain)}"
    )
    return [SumLine("together", text, moved)]


def _share(share: float) -> str:
    return f"{100 * share:.0f} %"


def _family_lines(family: Family | None, items: Sequence[Weighed]) -> tuple[list[SumLine], bool]:
    found = [item for item in items if item.found]
    lines = [SumLine("finding", item.message, item.weight_db, item.family, item.code, item.basis) for item in found]
    if family is None:  # no declared caps: facts of an unknown family weigh nothing, see `weigh`
        return lines, False
    if not found:
        return _absence_line(family, items), False
    total = math.fsum(item.weight_db for item in found)
    bounded = min(max(total, -family.cap_against), family.cap_for)
    if bounded == total:
        return lines, False
    text = f"These are not independent: {family.title} counts at most {abs(bounded):.0f} db"
    return [*lines, SumLine("cap", text, bounded - total, family.name)], True


def _absence_line(family: Family, items: Sequence[Weighed]) -> list[SumLine]:
    total = math.fsum(item.weight_db for item in items)
    # Where settled pieces have turned an indicator round, its absence may speak against a piece, within the same bound.
    bounded = min(max(total, -family.cap_absent), family.cap_absent)
    if bounded == 0:
        return []
    text = f"Nothing strange in {family.title} ({counted(len(items), 'thing')} looked for)"
    return [SumLine("absence", text, bounded, family.name)]


def _in_vain(items: Sequence[Weighed]) -> list[InVain]:
    silent = any(item.found for item in items)
    return [
        InVain(item.code, item.family, item.message, item.weight_db, not silent, item.basis)
        for item in items
        if not item.found
    ]
