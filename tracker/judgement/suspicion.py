"""From weights to a probability: a prior and a sum a person can follow line by line."""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, lru_cache

from tracker.judgement.counts import Basis
from tracker.judgement.together import AS_DECLARED, Together
from tracker.judgement.weighing import Weighed, absent
from tracker.judgement.weights import Family, Weights, decibans, families


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
    loud: frozenset[str] = frozenset()
    """Families with a finding."""
    silent: tuple[tuple[Weighed, ...], ...] = ()
    """What was looked for and not found, family by family."""

    @property
    def in_vain(self) -> tuple[InVain, ...]:
        """What was looked for and not found, in the sum or left out of it, family by family."""
        return tuple(
            InVain(item.code, item.family, item.message, item.weight_db, item.family not in self.loud, item.basis)
            for of_family in self.silent
            for item in of_family
        )


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


def combine(
    prior_db: float,
    items: Sequence[Weighed],
    *,
    prior_text: str = "Before looking",
    siblings: SumLine | None = None,
    notes: Sequence[str] = (),
    together: Together = AS_DECLARED,
    silences: "Silences | None" = None,
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
    silences : Silences, optional
        What was looked for beside `items`; of that what `items` found is left out.

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
    found: dict[str, list[Weighed]] = {}
    for item in items:
        if item.found:
            found.setdefault(item.family, []).append(item)
    quiet = _quiet(items, silences)
    capped, silent = [], list[tuple[Weighed, ...]]()
    signs = left_out = 0.0
    for name in _in_order(found, quiet):
        family, silence = families().get(name), quiet.get(name, _NO_SILENCE)
        if name in found:
            new, is_capped = _found_lines(family, found[name])
            if is_capped:
                capped.append(name)
        else:
            new = [] if silence.line is None else [silence.line]
        lines += new
        if silence.items:
            silent.append(silence.items)
        if family is not None and family.looks_for_signs:
            signs += math.fsum([line.weight_db for line in new])
            left_out += silence.total_db
            left_out -= 0.0 if name in found else math.fsum([line.weight_db for line in new])
    lines += _together_line(together, signs, left_out)
    total = math.fsum([line.weight_db for line in lines])
    lines += [SumLine("note", text, 0.0) for text in notes]
    return Suspicion(
        odds_to_probability(total),
        total,
        tuple(lines),
        tuple(capped),
        signs,
        left_out,
        frozenset(found),
        tuple(silent),
    )


@dataclass(frozen=True, slots=True)
class Silence:
    """What was looked for in one family and not found.

    Parameters
    ----------
    items : tuple of Weighed
    total_db : float
        What each says by itself, added up.
    line : SumLine or None
        What they say together where nothing was found in the family.
    """

    items: tuple[Weighed, ...] = ()
    total_db: float = 0.0
    line: SumLine | None = None


_NO_SILENCE = Silence()


@dataclass(frozen=True, slots=True)
class Silences:
    """What was looked for, family by family, were none of it found: worked out once for pieces looked at alike.

    Parameters
    ----------
    by_family : mapping of str to Silence
    family_of : mapping of str to str
        By code.
    """

    by_family: Mapping[str, Silence]
    family_of: Mapping[str, str]
    _left: dict[tuple[str, ...], Silence] = field(default_factory=dict, init=False, repr=False, compare=False)

    def without(self, codes: Iterable[str]) -> Mapping[str, Silence]:
        """Return the silences once some of the indicators were found after all."""
        gone: dict[str, list[str]] = {}
        for code in codes:
            if (name := self.family_of.get(code)) is not None:
                gone.setdefault(name, []).append(code)
        return {**self.by_family, **{name: self._less(name, some) for name, some in gone.items()}}

    def _less(self, name: str, codes: Sequence[str]) -> Silence:
        key = (name, *codes)
        found = self._left.get(key)
        if found is None:
            items = [item for item in self.by_family[name].items if item.code not in codes]
            found = self._left[key] = _silence(name, items) if items else _NO_SILENCE
        return found


def silences(looked_for: Iterable[str], weights: Weights) -> Silences:
    """Return what it says of a piece that none of some indicators was found; those nobody declared are left out."""
    codes = tuple(looked_for)
    known = weights.silences.get(codes)
    if known is None:
        known = weights.silences[codes] = _silences(absent(codes, weights))
    found: Silences = known
    return found


def _silences(items: Iterable[Weighed]) -> Silences:
    by_family: dict[str, list[Weighed]] = {}
    for item in items:
        by_family.setdefault(item.family, []).append(item)
    return Silences(
        {name: _silence(name, some) for name, some in by_family.items()},
        {item.code: name for name, some in by_family.items() for item in some},
    )


def _silence(name: str, items: Sequence[Weighed]) -> Silence:
    family = families().get(name)
    total = math.fsum([item.weight_db for item in items])
    return Silence(tuple(items), total, None if family is None else _absence_line(family, items, total))


def _quiet(items: Sequence[Weighed], known: Silences | None) -> Mapping[str, Silence]:
    """Return what was looked for and not found, by family."""
    absent = [item for item in items if not item.found]
    if known is None:
        return _silences(absent).by_family
    if absent:
        raise ValueError("what was looked for comes among the items or as silences, not both ways")
    return known.without(item.code for item in items)


def _in_order(found: Mapping[str, object], quiet: Mapping[str, object]) -> Iterator[str]:
    """Return the families there are, as declared; facts of a family nobody declared come last."""
    declared_ones = families()
    for name in declared_ones:
        if name in found or name in quiet:
            yield name
    yield from dict.fromkeys(name for name in (*found, *quiet) if name not in declared_ones)


def _together_line(together: Together, signs_db: float, left_out_db: float) -> list[SumLine]:
    moved = (together.found - 1.0) * signs_db + together.in_vain * left_out_db
    if moved == 0.0:
        return []
    return [SumLine("together", _together_text(together), moved)]


@lru_cache(maxsize=64)
def _together_text(together: Together) -> str:
    settled = f"{counted(together.pieces, 'settled piece')} of {counted(together.lots, 'lot')}"
    return (
        f"Learned from {settled}: together the signs above count {together.signs_count}, "
        f"and what was not found and is left out above counts {together.left_out_counts}"
    )


def _found_lines(family: Family | None, found: Sequence[Weighed]) -> tuple[list[SumLine], bool]:
    lines = [SumLine("finding", item.message, item.weight_db, item.family, item.code, item.basis) for item in found]
    if family is None:  # no declared caps: facts of an unknown family weigh nothing, see `weigh`
        return lines, False
    total = math.fsum([item.weight_db for item in found])
    bounded = min(max(total, -family.cap_against), family.cap_for)
    if bounded == total:
        return lines, False
    text = f"These are not independent: {family.title} counts at most {abs(bounded):.0f} db"
    return [*lines, SumLine("cap", text, bounded - total, family.name)], True


def _absence_line(family: Family, items: Sequence[Weighed], total: float) -> SumLine | None:
    # Where settled pieces have turned an indicator round, its absence may speak against a piece, within the same bound.
    bounded = min(max(total, -family.cap_absent), family.cap_absent)
    if bounded == 0:
        return None
    return SumLine("absence", _nothing_strange(family.title, len(items)), bounded, family.name)


@cache
def _nothing_strange(title: str, number: int) -> str:
    return f"Nothing strange in {title} ({counted(number, 'thing')} looked for)"
