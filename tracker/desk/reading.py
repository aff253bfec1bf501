"""From lines of marking to what they mean: part number, makers, dates, years of manufacture."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from difflib import SequenceMatcher
from typing import Protocol

from tracker.judgement.marking import NOTHING, Checked, Claim, Comparison, Life, MarkingRead, check, fold_alike
from tracker.judgement.siblings import compare_siblings
from tracker.knowledge import datecodes, families, parts

# Bounds: common practice, no source. Scores are log10 odds that a text is a part number.
SURE_PART, LIKELY_PART = 2.0, 0.3
FAR_PART, FAR_CHARACTERS = 1.0, 3
"""A part number of no family we know may be the claimed one misread; so many characters away from it, it is not."""
NEAR = ("same", "unsure", "other-grade", "other-package", "other-maker")
"""How a line may compare with the claimed part number to be taken for the piece's part number, nearest first."""


class Line(Protocol):
    """One line of marking, as a reader or a person reads it."""

    @property
    def text(self) -> str: ...
    @property
    def confidence(self) -> float: ...


@dataclass(frozen=True, slots=True)
class Understood:
    """What the lines of one piece mean.

    Parameters
    ----------
    marking : MarkingRead
    comparison : Comparison or None
        The claimed part number compared with the one read.
    life : Life
    """

    marking: MarkingRead
    comparison: Comparison | None
    life: Life

    @property
    def part(self) -> str | None:
        """The part number read."""
        return self.marking.part

    @property
    def date_code(self) -> str | None:
        """The text of the most probable date code."""
        return self.marking.dates[0].text if self.marking.dates else None


def understand(lines: Sequence[Line], claim: Claim, *, today: date) -> Understood:
    """Interpret the lines of one piece in the light of what is claimed of its part number and day of arrival."""
    texts = tuple(line.text for line in lines)
    part = _part_among(texts, claim.part)
    parsed = parts.parse(part) if part else None
    makers = tuple(parsed.makers) if parsed else ()
    maker = makers[0] if len(makers) == 1 else claim.maker
    latest, whole = claim.arrived_on or today, " / ".join(texts)
    score = parts.part_score(part) if part else -1.0
    marking = MarkingRead(
        lines=texts,
        confidences=tuple(line.confidence for line in lines),
        part=part,
        makers=makers,
        dates=datecodes.interpret(whole, maker=maker, by=latest),
        suspects=datecodes.suspects(whole, maker=maker, by=latest),
        part_sure=score >= SURE_PART or (score >= FAR_PART and _is_far(part, claim.part)),
    )
    comparison = parts.compare_part(claim.part, part) if claim.part and part and score >= LIKELY_PART else None
    return Understood(marking, comparison, _life(part or claim.part))


def _is_far(read: str | None, claimed: str | None) -> bool:
    """Tell whether more characters differ than a misreading changes."""
    if not read or not claimed:
        return False
    a, b = fold_alike(claimed), fold_alike(read)
    same = sum(block.size for block in SequenceMatcher(None, a, b, autojunk=False).get_matching_blocks())
    return max(len(a), len(b)) - same >= FAR_CHARACTERS


def _part_among(texts: Sequence[str], claimed: str | None) -> str | None:
    """Return the part number among the lines: the one nearest to what is claimed, else the likeliest."""
    if claimed is not None:
        kinds = {parts.compare_part(claimed, text).kind: text for text in texts if "?" not in text}
        nearest = next((kinds[kind] for kind in NEAR if kind in kinds), None)
        if nearest is not None:
            return nearest
    return parts.find_part(texts)


def _life(part: str | None) -> Life:
    family = families.for_part(part) if part else None
    if family is None:
        return Life()
    first, last = family.first_year, family.last_year
    return Life(
        first_year=first.value if first else None,
        last_year=last.value if last else None,
        what=family.name,
        source=first.source if first else "",
    )


def groups_of_one_part(understood: Sequence[Understood]) -> list[list[int]]:
    """Return the indices of pieces that read the same part number, alike-looking characters counted as equal."""
    found: dict[str, list[int]] = {}
    for index, one in enumerate(understood):
        if one.part:
            found.setdefault(fold_alike(one.part), []).append(index)
    return list(found.values())


def kindred(understood: Sequence[Understood]) -> list[list[int]]:
    """Return the indices of pieces of the same base number, whatever maker, grade or package they name."""
    found: dict[str, list[int]] = {}
    for index, one in enumerate(understood):
        parsed = parts.parse(one.part) if one.part else None
        if parsed is not None:
            found.setdefault(fold_alike(parsed.base), []).append(index)
    return list(found.values())


def usual_part(understood: Sequence[Understood]) -> str:
    """Return the spelling of the part number that most pieces of a group show."""
    return Counter(one.part for one in understood if one.part).most_common(1)[0][0]


def check_texts(understood: Sequence[Understood], claim: Claim, *, today: date) -> list[Checked]:
    """Hold what each piece of a lot says against the claim, and against what its siblings say."""
    checks = [check(claim, one.marking, comparison=one.comparison, life=one.life, today=today) for one in understood]
    among = [NOTHING] * len(understood)
    for group in kindred(understood):
        ones = [understood[index] for index in group]
        for index, found in zip(
            group, compare_siblings([one.date_code for one in ones], [one.part for one in ones]), strict=True
        ):
            among[index] = found
    return [both(one, other) for one, other in zip(checks, among, strict=True)]


def both(one: Checked, other: Checked) -> Checked:
    """Return what two checks of one piece found."""
    return Checked(one.remarks + other.remarks, one.looked_for + other.looked_for)
