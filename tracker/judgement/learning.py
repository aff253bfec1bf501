"""What pieces whose truth is known teach: counts that add to the declared ones, as a function of the lessons alone."""

import math
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tracker.judgement.counts import NOTHING_COUNTED, OUTCOMES, SLIGHT, Counts, Taught
from tracker.judgement.learning_at_once import AtOnce
from tracker.judgement.lesson import Lesson
from tracker.judgement.lesson_table import SETTLED, Key, LessonTable, LotRows
from tracker.judgement.together import AS_DECLARED, Seen, Together, fit
from tracker.judgement.weights import Indicator, LearningRule, Weights, declared, indicators, learning_rule

FOLDS = 5
"""Lots are left out by fifths where leaving out each alone would take too long (common practice, no source)."""

MOST_SEEN = 500
"""What signs are worth together are two numbers, known well from so many pieces; the newest are taken (common practice,
no source)."""

Tally = Mapping[int, Sequence[int]]
"""By lot: how many pieces showed an indicator clearly, slightly, not at all."""
_NO_PIECES = (0, 0, 0)
Shares = tuple[float, float, float]
"""A tally in effective pieces."""


def effective(pieces: int, alike: float) -> float:
    """Return how many independent pieces so many of one lot are worth.

    Parameters
    ----------
    pieces : int
    alike : float
        Intra-class correlation, 0 (independent) to 1 (all the same).

    Notes
    -----
    The effective size of a cluster sample, m / (1 + (m - 1) rho). A lot was sanded by one hand and printed with one
    plate: its twenty pieces are hardly more news than two.
    """
    return pieces / (1.0 + (pieces - 1) * alike) if pieces else 0.0


@dataclass(frozen=True)
class Experience:
    """All lessons of a workshop, and the weights that follow from them.

    Parameters
    ----------
    lessons : tuple of Lesson, or LessonTable
        One a piece; their order does not matter.
    declared : Weights
        What to add to.
    rule : LearningRule
    until : int or None
        The journal entry up to which the records were read, for the version.
    """

    lessons: tuple[Lesson, ...] | LessonTable = ()
    declared: Weights = field(default_factory=declared)
    rule: LearningRule = field(default_factory=learning_rule)
    until: int | None = None

    def again(self, until: int | None) -> "Experience":
        """Return the same lessons, read up to another entry; what was worked out of them is not worked out anew."""
        other = replace(self, until=until)
        # The weights name the entry; all else is of the lessons alone.
        other.__dict__.update({name: self.__dict__[name] for name in _OF_LESSONS if name in self.__dict__})
        return other

    @cached_property
    def weights(self) -> Weights:
        """What observations weigh with all lessons counted."""
        if not self.lessons:
            return self.declared
        return replace(self._single, together=self.together)

    @cached_property
    def _single(self) -> Weights:
        """Weights of single indicators, whatever they are worth together."""
        taught = {code: self._taught(code) for code, _ in self._tallies}
        return replace(self.declared, version=self.version, taught=taught)

    @cached_property
    def together(self) -> Together:
        """What signs have been worth together."""
        told = [one for one in _newest(self.lessons) if one.before_db is not None]
        return fit(self._seen(told), self.rule.together_sd) if told else AS_DECLARED

    def _seen(self, lessons: Sequence[Lesson]) -> list[Seen]:
        """Weigh what pieces showed as if nothing of their lots had been taught."""
        at_once = AtOnce(self.declared, tuple(_that_teach(self.declared.indicators)))
        lots = list(dict.fromkeys(lesson.lot for lesson in lessons))
        # Rounding must not leave less than nothing.
        taught = np.maximum(at_once.of_all(self._sums) - at_once.by_lot(self._shares, lots), 0.0)
        weights = at_once.weights_db(taught)[[lots.index(lesson.lot) for lesson in lessons]]
        found = at_once.sums(at_once.outcomes(lesson.outcomes for lesson in lessons), weights)
        numbers = _numbers(self.lessons, {(lesson.lot, lesson.not_genuine) for lesson in lessons})
        seen = []
        for lesson, rest, signs, left_out in zip(
            lessons, found.rest_db, found.signs_db, found.left_out_db, strict=True
        ):
            pieces = numbers[lesson.lot, lesson.not_genuine]
            seen.append(
                Seen(
                    rest_db=float(rest) + (lesson.before_db or 0.0),
                    signs_db=float(signs),
                    left_out_db=float(left_out),
                    not_genuine=lesson.not_genuine,
                    worth=effective(pieces, self.rule.alike_in_lot) / pieces,
                    lot=lesson.lot,
                )
            )
        return seen

    @property
    def version(self) -> str:
        """Say which declared counts, how many settled pieces, up to which entry of the journal."""
        if not self.lessons:
            return self.declared.version
        pieces = "1 settled piece" if len(self.lessons) == 1 else f"{len(self.lessons)} settled pieces"
        upto = "" if self.until is None else f" up to entry {self.until}"
        return f"{self.declared.version}, {pieces}{upto}"

    def without_piece(self, piece: int) -> Weights:
        """Return what observations of this piece weigh: its own truth, if known, is left out.

        Otherwise a piece that is alone in showing something would prove by itself that this is what its kind shows.
        """
        kept = self.lessons
        lesson = kept.of_piece(piece) if isinstance(kept, LessonTable) else self._by_piece.get(piece)
        if lesson is None:
            return self.weights
        # Pieces of one lot and truth that showed an indicator alike leave the same lessons of it.
        less = {
            code: self._one_less(code, lesson.not_genuine, lesson.lot, index)
            for (code, _), index in self._counted(lesson)
        }
        return self._single.taught_otherwise({**self._single.taught, **less}, self._elsewhere(lesson.lot))

    def without_lot(self, lot: int) -> Weights:
        """Return what observations weigh to somebody who knows no truth of this lot."""
        if not self._has_lot(lot):
            return self.weights
        return self._without(lot, self._elsewhere(lot))

    def _elsewhere(self, lot: int) -> Together:
        """Return what signs have been worth together in other lots.

        Every lesson moves the weights with which all others are seen, so leaving out one means to fit all anew. That is
        done for a fifth of the lots at a time (cross-fitting), not for each.
        """
        fold = lot % FOLDS
        if fold not in self._folds:
            others = replace(self, lessons=_of_others(self.lessons, fold))
            others.__dict__.update(_shares=_without_fold(self._shares, fold))
            self._folds[fold] = others.together
        return self._folds[fold]

    @cached_property
    def _folds(self) -> dict[int, Together]:
        return {}

    def _without(self, lot: int, together: Together = AS_DECLARED) -> Weights:
        """Return the weights of single indicators had nothing of a lot been taught: its tallies taken from the sums."""
        left: dict[str, dict[Key, Tally]] = {}
        for key in (key for key, tally in self._tallies.items() if lot in tally):
            left.setdefault(key[0], {})[key] = {lot: _NO_PIECES}
        changed = {code: self._taught(code, instead) for code, instead in left.items()}
        return self._single.taught_otherwise({**self._single.taught, **changed}, together)

    def _one_less(self, code: str, not_genuine: bool, lot: int, index: int) -> Taught:
        """Return what was taught of an indicator by all but one piece of a lot that showed it so."""
        key = (code, not_genuine, lot, index)
        found = self._less.get(key)
        if found is None:
            tally = list(self._tallies[code, not_genuine][lot])
            tally[index] -= 1
            found = self._less[key] = self._taught(code, {(code, not_genuine): {lot: tally}})
        return found

    @cached_property
    def _less(self) -> dict[tuple[str, bool, int, int], Taught]:
        return {}

    def _counted(self, lesson: Lesson) -> list[tuple[Key, int]]:
        found = self._keys.get(lesson.piece)
        if found is None:
            found = self._keys[lesson.piece] = _counted(lesson, self.declared.indicators)
        return found

    @cached_property
    def _keys(self) -> dict[int, list[tuple[Key, int]]]:
        return {}

    @cached_property
    def _by_piece(self) -> dict[int, Lesson]:
        return {lesson.piece: lesson for lesson in self.lessons}

    def _has_lot(self, lot: int) -> bool:
        return self.lessons.has_lot(lot) if isinstance(self.lessons, LessonTable) else lot in self._lots

    @cached_property
    def _lots(self) -> set[int]:
        return {lesson.lot for lesson in self.lessons}

    @cached_property
    def _tallies(self) -> Mapping[Key, Tally]:
        if isinstance(self.lessons, LessonTable) and self.declared.indicators is indicators():
            return self.lessons.tallies()
        tallies: dict[Key, dict[int, list[int]]] = {}
        for lesson in self.lessons:
            for key, index in self._counted(lesson):
                tallies.setdefault(key, {}).setdefault(lesson.lot, [0, 0, 0])[index] += 1
        return tallies

    @cached_property
    def _shares(self) -> dict[Key, Mapping[int, Shares]]:
        return {key: self._shares_of(tally) for key, tally in self._tallies.items()}

    def _shares_of(self, tally: Tally) -> Mapping[int, Shares]:
        if not isinstance(tally, LotRows):
            return {lot: self._shared(one) for lot, one in tally.items()}
        pieces = tally.numbers.sum(axis=1)
        each = (pieces / (1.0 + (pieces - 1) * self.rule.alike_in_lot)) / pieces
        return LotRows(tally.lots, each[:, np.newaxis] * tally.numbers)

    @cached_property
    def _sums(self) -> dict[Key, Counts]:
        # fsum rounds once, so that the order of the lots cannot show.
        return {key: _counts(of_lots) for key, of_lots in self._shares.items()}

    def _shared(self, tally: Sequence[int]) -> Shares:
        """Return what a lot's pieces are worth, shared among what they showed."""
        clear, slight, absent = tally
        pieces = clear + slight + absent
        if not pieces:
            return 0.0, 0.0, 0.0
        each = effective(pieces, self.rule.alike_in_lot) / pieces
        return each * clear, each * slight, each * absent

    def _size(self, code: str, lot: int) -> int:
        """Return how many pieces of a lot taught an indicator, of either truth."""
        return sum(sum(self._tallies.get((code, kind), {}).get(lot, ())) for kind in (True, False))

    @cached_property
    def _numbers(self) -> dict[str, tuple[int, int]]:
        """By indicator: how many pieces taught it, of either truth, and of how many lots."""
        found: dict[str, tuple[int, int]] = {}
        for code in dict.fromkeys(code for code, _ in self._tallies):
            told = [tally for kind in (True, False) if (tally := self._tallies.get((code, kind))) is not None]
            found[code] = sum(map(_pieces, told)), len(np.unique(np.concatenate([_lots_of(one) for one in told])))
        return found

    def _taught(self, code: str, instead: Mapping[Key, Tally] | None = None) -> Taught:
        """Return what was taught of one indicator, some lots' tallies replaced."""
        sums, gone = [], dict[int, int]()
        for key in ((code, True), (code, False)):
            counts = self._sums.get(key, NOTHING_COUNTED)
            for lot, now in (instead or {}).get(key, {}).items():
                was = self._tallies[key][lot]
                counts = _moved(counts, self._shares[key][lot], self._shared(now))
                gone[lot] = gone.get(lot, 0) + sum(was) - sum(now)
            sums.append(counts)
        pieces, lots = self._numbers[code]
        emptied = sum(number == self._size(code, lot) for lot, number in gone.items())
        return Taught(sums[0], sums[1], pieces - sum(gone.values()), lots - emptied)


_OF_LESSONS = (
    "together",
    "_folds",
    "_less",
    "_by_piece",
    "_lots",
    "_tallies",
    "_sums",
    "_shares",
    "_numbers",
    "_keys",
)


def _that_teach(known: Mapping[str, Indicator]) -> list[str]:
    return [code for code, one in known.items() if one.family != SETTLED]


def _counted(lesson: Lesson, known: Mapping[str, Indicator]) -> list[tuple[Key, int]]:
    """Return what a lesson adds to: a key, and which of `OUTCOMES`."""
    return [
        ((code, lesson.not_genuine), OUTCOMES.index(outcome))
        for code, outcome in lesson.outcomes.items()
        if code in known
        and known[code].family != SETTLED
        # Where no slight form is declared, slightly seen is neither seen nor not seen.
        and (outcome != SLIGHT or known[code].has_slight)
    ]


def _newest(lessons: "tuple[Lesson, ...] | LessonTable") -> Sequence[Lesson]:
    """Return the lessons of the newest pieces, by piece."""
    if isinstance(lessons, LessonTable):
        return lessons[-MOST_SEEN:]
    return sorted((one for one in lessons if one.before_db is not None), key=lambda one: one.piece)[-MOST_SEEN:]


def newest_lots(lessons: LessonTable) -> set[int]:
    """Return the lots of all pieces that anything is fitted to: only of them must be known what was thought before."""
    others = (lessons.lots[lessons.lots % FOLDS != fold] for fold in range(FOLDS))
    return {lot for some in (lessons.lots, *others) for lot in some[-MOST_SEEN:].tolist()}


def _of_others(lessons: "tuple[Lesson, ...] | LessonTable", fold: int) -> "tuple[Lesson, ...] | LessonTable":
    if isinstance(lessons, LessonTable):
        return lessons.of_others(fold, FOLDS)
    return tuple(one for one in lessons if one.lot % FOLDS != fold)


def _numbers(
    lessons: "tuple[Lesson, ...] | LessonTable", wanted: Collection[tuple[int, bool]]
) -> Mapping[tuple[int, bool], int]:
    """Return how many pieces of a lot are known to be so or so."""
    if isinstance(lessons, LessonTable):
        return {(lot, kind): lessons.number(lot, kind) for lot, kind in wanted}
    return Counter((lesson.lot, lesson.not_genuine) for lesson in lessons)


def _pieces(tally: Tally) -> int:
    return int(tally.numbers.sum()) if isinstance(tally, LotRows) else sum(map(sum, tally.values()))


def _lots_of(tally: Tally) -> NDArray[np.int64]:
    return tally.lots if isinstance(tally, LotRows) else np.array(list(tally), np.int64)


def _counts(shares: Mapping[int, Shares]) -> Counts:
    columns = shares.numbers.T.tolist() if isinstance(shares, LotRows) else list(zip(*shares.values(), strict=True))
    clear, slight, absent = (math.fsum(column) for column in columns or ((), (), ()))
    return Counts(clear, absent, slight)


def _moved(counts: Counts, was: Shares, now: Shares) -> Counts:
    """Return counts in which one lot's share is another; rounding must not leave less than nothing."""
    return Counts(
        present=max(counts.present - was[0] + now[0], 0.0),
        slight=max(counts.slight - was[1] + now[1], 0.0),
        absent=max(counts.absent - was[2] + now[2], 0.0),
    )


def _without_fold(shares: Mapping[Key, Mapping[int, Shares]], fold: int) -> dict[Key, Mapping[int, Shares]]:
    """Return what other lots than those of a fold share; sums are made lot by lot, so theirs need no counting anew."""
    kept = {
        key: of_lots.those(of_lots.lots % FOLDS != fold)
        if isinstance(of_lots, LotRows)
        else {lot: one for lot, one in of_lots.items() if lot % FOLDS != fold}
        for key, of_lots in shares.items()
    }
    return {key: of_lots for key, of_lots in kept.items() if of_lots}


def stronger(one: str, other: str) -> bool:
    """Return whether an outcome shows more than another."""
    return OUTCOMES.index(one) < OUTCOMES.index(other)


def strongest(outcomes: Iterable[str]) -> str:
    """Return the outcome that shows most."""
    return min(outcomes, key=OUTCOMES.index)
