"""How often the date code of a real marking is understood, and how much of that was learnt by heart.

Real markings are no part of the project. They are looked for in the folder that LOTPROOF_REAL_MARKINGS names, else in
`shared/markings` beside the repository; without them this benchmark says so and measures nothing.

`assembled_dates.csv` (marking, assembled_year, assembled_month): chips on boards. A chip is seldom younger than its
board or more than two years older, so an answer from 24 months before to 2 months after counts as right. Boards are
dated by their maker, not by the chips; even a code that is read as it should be lies outside now and then.
`collection_dates.csv` (maker, marking, year, week): the first answer must be the year and week its keeper read.

What date_marks.toml and parts of date_styles.toml know was seen on such boards. So the markings are also scored with
everything left out that only they themselves support: a tenth of the boards at a time, and one kind of part at a time.
"""

import csv
import os
import re
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import groupby
from pathlib import Path

from ratios import Result

from tracker.knowledge.datecodes import DateCandidate, interpret
from tracker.knowledge.datemarking import DateKnowledge, everything, take_apart

FOLDER = Path(__file__).resolve().parents[3] / "shared" / "markings"
# The window of the check that the markings' keepers run; months.
EARLIEST, LATEST = -24, 2
SURE = 0.8
FOLDS = 10
HEAD = f"{'markings on boards':<27} {'right':>12} {'answered':>9} {f'right of claimed {SURE}+':>20} {'Brier':>6}"
LEARNT_YEARS = "years from boards"
LEARNT_STYLE = "worked out on boards"
MARGIN_YEARS = 1  # around the years that boards show, where an entry's years are taken from boards alone
# Words that are no type: house numbers of programs and machines, places, names, bare dates.
NO_TYPE = re.compile(r"(DMG|CGB|AGB|SYS|SGB)(-.*)?|\d{4}|[A-Z]\d{4,6}(-?\w{1,2})?|[A-Z]+|\W+|\W?AT&T")


@dataclass(frozen=True, slots=True)
class Row:
    """One marking of a chip on a board; `month` counts from year 0, `board` numbers boards, `kind` names the part."""

    marking: str
    month: int
    board: int
    kind: str


@dataclass(frozen=True, slots=True)
class Answer:
    """The first answer to one marking: how sure, and whether right; None where there was none."""

    probability: float
    right: bool


def run(_: Path) -> Result:
    """Score the real markings as they are and with knowledge left out."""
    folder = Path(os.environ.get("LOTPROOF_REAL_MARKINGS") or FOLDER)
    if not (folder / "assembled_dates.csv").is_file():
        return Result(lines=(f"left out: no real markings in {folder}",))
    rows = _rows(folder / "assembled_dates.csv")
    ways = {
        "all that is known": [_answer(row, everything()) for row in rows],
        f"boards left out, {FOLDS} folds": _left_out(rows, [row.board % FOLDS for row in rows]),
        "kinds of parts left out": _left_out(rows, [row.kind for row in rows]),
        "without date_marks.toml": [_answer(row, replace(everything(), marks=())) for row in rows],
    }
    lines = [HEAD, *(_score(name, answers) for name, answers in ways.items())]
    lines += ["", "how often right, by the probability that was claimed:"]
    lines += [f"{name}: {_reliability(answers)}" for name, answers in ways.items()]
    lines += ["", *_undated(rows), _collection(folder / "collection_dates.csv")]
    return Result(lines=tuple(lines), figures={name: _figures(answers) for name, answers in ways.items()})


def _rows(path: Path) -> list[Row]:
    """Return the markings; neighbours of one month are taken for one board, as the file lists them board by board."""
    with path.open(newline="", encoding="utf-8") as file:
        raw = list(csv.DictReader(file))
    found = []
    for board, (month, same) in enumerate(
        groupby(raw, key=lambda one: int(one["assembled_year"]) * 12 + int(one["assembled_month"]))
    ):
        found += [Row(one["marking"], month, board, kind_of(one["marking"])) for one in same]
    return found


def kind_of(marking: str) -> str:
    """Return what kind of part a marking is of: letters and first two digits of its type, or its bare short type.

    Where no word looks like a type, the shape of the whole marking stands for it.
    """
    words = [word.strip("©,()*") for word in marking.upper().split()]
    for word in words:
        if not NO_TYPE.fullmatch(word) and (found := re.match(r"[A-Z]{1,4}-?\d{1,2}", word)):
            return found[0].replace("-", "")
    short = next((word for word in words if re.fullmatch(r"\d{1,3}[A-Z]\d{0,3}|\d{4}A|LVX", word)), None)
    if short is None and len(words) == 2:
        short = words[0]
    return short or re.sub(r"[A-Z]", "A", re.sub(r"\d", "9", " ".join(words)))


def _answer(row: Row, known: DateKnowledge) -> Answer | None:
    found = interpret(row.marking, known=known)
    return Answer(found[0].probability, EARLIEST <= _month(found[0]) - row.month <= LATEST) if found else None


def _month(found: DateCandidate) -> int:
    """Return the month of an answer, counted from year 0; the middle of the year where no more is known."""
    if found.week:
        day = date.fromisocalendar(found.year, min(found.week, 52), 1)
        return day.year * 12 + day.month
    return found.year * 12 + (found.month or 6)


def _left_out(rows: Sequence[Row], groups: Sequence[object]) -> list[Answer | None]:
    """Answer every group with what the other groups support."""
    whole = everything()
    marked = {mark: [i for i, row in enumerate(rows) if _carries(row, mark_only)] for mark, mark_only in _alone(whole)}
    top = [found[0].style if (found := interpret(row.marking)) else None for row in rows]
    answers: list[Answer | None] = [None] * len(rows)
    for group in dict.fromkeys(groups):
        others = {i for i, one in enumerate(groups) if one != group}
        known = _supported(whole, rows, others, marked, {top[i] for i in others})
        for i, one in enumerate(groups):
            if one == group:
                answers[i] = _answer(rows[i], known)
    return answers


def _alone(known: DateKnowledge) -> Iterable[tuple[object, DateKnowledge]]:
    return ((mark, DateKnowledge((), (mark,))) for mark in known.marks)


def _carries(row: Row, mark_only: DateKnowledge) -> bool:
    apart = take_apart(row.marking, None, mark_only)
    mark = mark_only.marks[0]
    return any(mark.pattern.fullmatch(w) and (i == 0 or not mark.first_word) for i, w in enumerate(apart.words))


def _supported(
    whole: DateKnowledge,
    rows: Sequence[Row],
    others: Collection[int],
    marked: dict[object, list[int]],
    used: Collection[str | None],
) -> DateKnowledge:
    """Return what remains when only `others` had ever been seen.

    An entry of marks that none of them carries goes; years that came from boards are taken from theirs. A style that
    was worked out on boards and is not the answer for any of them goes; others lose their usual years.
    """
    marks = []
    for mark in whole.marks:
        years = [rows[i].month // 12 for i in marked[mark] if i in others]
        if marked[mark] and not years:
            continue
        if mark.source.startswith(LEARNT_YEARS):
            mark = replace(mark, first=min(years) - MARGIN_YEARS, last=max(years) + MARGIN_YEARS) if years else mark
        marks.append(mark)
    styles = [
        style if style.name in used else replace(style, usual=None)
        for style in whole.styles
        if style.name in used or not style.source.startswith(LEARNT_STYLE)
    ]
    return DateKnowledge(tuple(styles), tuple(marks))


def _score(name: str, answers: Sequence[Answer | None]) -> str:
    f = _figures(answers)
    right, answered, sure, sure_right = (round(f[key]) for key in ("right", "answered", "sure", "sure_right"))
    return (
        f"{name:<27} {right:>5} {right / len(answers):>6.1%} {answered:>9} {sure_right:>8}/{sure:<4} "
        f"{sure_right / max(1, sure):>6.1%} {f['brier']:>6.3f}"
    )


def _figures(answers: Sequence[Answer | None]) -> dict[str, float]:
    given = [one for one in answers if one]
    sure = [one for one in given if one.probability >= SURE]
    return {
        "markings": len(answers),
        "answered": len(given),
        "right": sum(one.right for one in given),
        "sure": len(sure),
        "sure_right": sum(one.right for one in sure),
        "brier": sum((one.probability - one.right) ** 2 for one in given) / max(1, len(given)),
    }


def _reliability(answers: Sequence[Answer | None]) -> str:
    bins: dict[int, list[Answer]] = defaultdict(list)
    for one in answers:
        if one:
            bins[min(9, int(one.probability * 10))].append(one)
    return "  ".join(f"{b / 10:.1f}: {sum(o.right for o in bins[b])}/{len(bins[b])}" for b in sorted(bins))


def _undated(rows: Sequence[Row]) -> list[str]:
    """Take the date out of every marking and count how often another word is taken for it."""
    counts = {0.5: 0, SURE: 0}
    tried = 0
    for row in rows:
        found = interpret(row.marking)
        if not found:
            continue
        tried += 1
        rest = interpret(row.marking.upper().replace(found[0].text, " ", 1))
        for bound in counts:
            counts[bound] += bool(rest) and rest[0].probability >= bound
    said = ", ".join(f"{number} at {bound} or more" for bound, number in counts.items())
    return [f"the date taken out of {tried} markings, another word is claimed to be one:", f"{said}"]


def _collection(path: Path) -> str:
    if not path.is_file():
        return f"left out: no {path.name}"
    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    right = [_exact(row, interpret(row["marking"], maker=row["maker"])) for row in rows]
    nameless = [_exact(row, interpret(row["marking"])) for row in rows]
    return f"collection: {sum(right)}/{len(rows)} exact; {sum(nameless)}/{len(rows)} when the maker is not told"


def _exact(row: dict[str, str], found: Sequence[DateCandidate]) -> bool:
    return bool(found) and (found[0].year, found[0].week) == (int(row["year"]), int(row["week"]))
