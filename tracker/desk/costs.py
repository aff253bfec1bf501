"""What wrong decisions and bench time cost in this workshop: declared, or said by it and kept in the journal."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.desk.fields import one_line
from tracker.desk.workspace import Workspace
from tracker.errors import BadRequest
from tracker.journal import body_of
from tracker.judgement.costs import Costs, declared_costs
from tracker.knowledge.bench_tests import BenchTest, bench_tests
from tracker.records.models import JournalEntry

ACT = "costs"
MOST = 1_000_000
LONGEST_MIN = 1_440
"""A test that takes more than a day is none for this list (common practice, no source)."""
_AMOUNT = re.compile(r"[0-9]{1,9}(\.[0-9]{1,6})?")


@dataclass(frozen=True, slots=True)
class CostsRequest:
    """Costs as typed; None leaves what holds. `tests` as 'clock=15+8': set-up and each piece, minutes."""

    fit_bad: str | None = None
    reject_good: str | None = None
    minute: str | None = None
    tests: tuple[str, ...] = ()
    declared: bool = False
    reason: str | None = None

    @property
    def says_something(self) -> bool:
        """Whether anything is to be changed."""
        return self.declared or bool(self.tests) or any((self.fit_bad, self.reject_good, self.minute))


@dataclass(frozen=True, slots=True)
class Reckoned:
    """What the workshop reckons with.

    Parameters
    ----------
    costs : Costs
    tests : mapping of str to BenchTest
        Minutes of each test.
    said : str
        Who said so, when and why; '' where all is as declared.
    """

    costs: Costs
    tests: Mapping[str, BenchTest]
    said: str


def reckoned(session: Session) -> Reckoned:
    """Return what the workshop reckons with now: what it last said, else what is declared."""
    query = select(JournalEntry).where(JournalEntry.act == ACT).order_by(JournalEntry.id.desc()).limit(1)
    entry = session.scalar(query)
    body = {} if entry is None else body_of(entry)
    if entry is None or body.get("declared"):
        return Reckoned(declared_costs(), bench_tests(), "")
    said = f"{entry.operator}, {entry.at[:10]}: {body.get('reason')}"
    costs = {name: float(str(body[name])) for name in ("fit_bad", "reject_good", "minute")}
    tests, own = dict(bench_tests()), body.get("minutes")
    for name, (set_up, each) in own.items() if isinstance(own, dict) else ():
        if name in tests:
            source = f"the workshop itself ({said})"
            tests[name] = replace(tests[name], setup_min=float(set_up), piece_min=float(each), source=source)
    return Reckoned(Costs(**costs, source=f"the workshop itself ({said})"), tests, said)


def show_costs(workspace: Workspace) -> Reckoned:
    """Return what the workshop reckons with."""
    with workspace.read() as session:
        return reckoned(session)


def set_costs(workspace: Workspace, request: CostsRequest, *, operator: str | None = None) -> Reckoned:
    """Say what things cost here; kept in the journal, where a later word supersedes it.

    Raises
    ------
    BadRequest
        A cost is no number, negative or beyond all reason; a test is unknown; no reason is given.
    """
    if request.reason is None:
        raise BadRequest("Costs need a reason.", "Add --reason with where they come from.")
    reason = one_line(request.reason, "reason", 500)
    if request.declared and (request.tests or request.fit_bad or request.reject_good or request.minute):
        raise BadRequest("--declared goes back to the declared costs.", "Leave the other options out.")
    typed = {
        "fit_bad": _amount(request.fit_bad, "cost of fitting a bad part", least=0.01),
        "reject_good": _amount(request.reject_good, "cost of rejecting a good one", least=0.01),
        "minute": _amount(request.minute, "cost of a minute", least=0),
    }
    minutes = dict(_minutes(text) for text in request.tests)
    with workspace.act(operator, ACT, ACT) as act:
        now = reckoned(act.session)
        if request.declared:
            act.body.update(declared=True, reason=reason)
        else:
            held = {name: str(Decimal(repr(getattr(now.costs, name))).normalize()) for name in typed}
            own = {name: minutes.get(name, _own(test)) for name, test in now.tests.items()}
            act.body.update({name: value or held[name] for name, value in typed.items()}, reason=reason)
            act.body["minutes"] = {name: list(value) for name, value in own.items() if value}
    return show_costs(workspace)


def _own(test: BenchTest) -> tuple[str, str] | None:
    known = bench_tests()[test.name]
    if (test.setup_min, test.piece_min) == (known.setup_min, known.piece_min):
        return None
    return f"{test.setup_min:g}", f"{test.piece_min:g}"


def _amount(text: str | None, name: str, *, least: float) -> str | None:
    if text is None:
        return None
    clean = text.strip()
    if not _AMOUNT.fullmatch(clean) or not least <= float(clean) <= MOST:
        shown = "".join(letter if letter.isprintable() else "?" for letter in clean[:40])
        raise BadRequest(
            f"The {name} is '{shown}'.", f"Write a plain number from {least:g} to {MOST:,}, without the currency."
        )
    return clean


def _minutes(text: str) -> tuple[str, tuple[str, str]]:
    """Return test, set-up and each piece of 'clock=15+8'."""
    shown = "".join(letter if letter.isprintable() else "?" for letter in text[:40])
    name, _, times = text.partition("=")
    if name.strip() not in bench_tests():
        raise BadRequest(f"'{shown}' names no bench test.", f"There are: {', '.join(bench_tests())}.")
    parts: Sequence[str] = [one.strip() for one in times.split("+")]
    if len(parts) != 2 or not all(_AMOUNT.fullmatch(one) for one in parts):
        raise BadRequest(f"'{shown}' is no time of a test.", "Write set-up and each piece in minutes: clock=15+8.")
    if float(parts[0]) > LONGEST_MIN or not 0 < float(parts[1]) <= LONGEST_MIN:
        raise BadRequest(f"'{shown}': each piece takes more than 0 and at most {LONGEST_MIN:,} minutes.")
    return name.strip(), (parts[0], parts[1])
