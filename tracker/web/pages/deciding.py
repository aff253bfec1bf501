"""What the workshop says of pieces: what is to be done with them, what they are, and which others are compared with."""

from collections.abc import Sequence
from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Query
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.decide import DISPOSITION_OF, Decided, Declared, decide, declare_exemplar, sent, settle
from tracker.errors import BadRequest
from tracker.judgement.suspicion import counted
from tracker.web import needs, render, typed
from tracker.web.needs import Written
from tracker.web.page_words import paged
from tracker.web.pages.saying import Saying, one, place_of

router = APIRouter(include_in_schema=False)
Pieces = Annotated[list[str] | None, Query()]

DECIDING = Saying("decide", ("decision", "reason", "carrier", "tracking", "sent_on"), names=True)
SETTLING = Saying("settle", ("truth", "grounds", "withdraw"))
EXEMPLAR = Saying("exemplar", ("grounds", "withdraw"))
DOES = {
    "accept": "It may be fitted, and nothing is claimed for it any more.",
    "quarantine": "It is kept apart and still counts as undecided: the claim window goes on running.",
    "reject": "It goes on the claim statement. With a failed bench test it counts in the seller's record, and the "
    "suspicion of the seller's other pieces moves.",
    "return": "It goes back. The carrier and its reference prove that it went. What sits in a machine must come out "
    "first.",
}
"""What a decision does, for whoever is about to make it."""
REASONS = (
    "marking and surface as those of known good pieces",
    "passed every test done",
    "waits for a bench test",
    "surface sanded and marked again",
    "date codes contradict each other",
    "draws more than its limit",
    "does not reach its grade",
    "not the part that was ordered",
    "returned to the seller under the claim",
)
"""Usual reasons to choose from while typing; common practice, no source."""
TRUTH_GROUNDS = (
    "the maker confirmed it",
    "the maker denied it",
    "a laboratory opened the package",
    "opened here, die does not match",
    "in use for years without fault",
)
EXEMPLAR_GROUNDS = (
    "bought from the maker's own distributor",
    "pulled from a machine as it left the factory",
    "confirmed by the maker",
)


@router.get("/decide")
def ask(request: Request, workspace: needs.Opened, day: needs.Today, piece: Pieces = None) -> Response:
    """Ask what is to be done with pieces."""
    return DECIDING.form(request, workspace, piece or [], {}, **_decisions(day))


def _decisions(day: date) -> dict[str, Any]:
    return {"decisions": [(word, word) for word in DISPOSITION_OF], "does": DOES, "reasons": REASONS, "day": day}


@router.post("/decide", dependencies=[Written])
def decided(
    request: Request, workspace: needs.Opened, operator: needs.Operator, day: needs.Today, form: typed.Form
) -> Response:
    """Give pieces a disposition."""

    def say(words: tuple[str, ...]) -> str:
        verb = form.text("decision")
        if not verb:
            raise BadRequest("No decision was chosen.", f"Choose one of: {', '.join(DISPOSITION_OF)}.")
        shipped = sent(verb, form.given("carrier"), form.given("tracking"), form.given("sent_on"), today=day)
        reason = form.text("reason")
        answers = decide(workspace, words, verb, reason, shipped=shipped, seen=form.seen, operator=operator)
        _say_decided(request, answers)
        return place_of([answer.piece for answer in answers])

    return DECIDING.say(request, workspace, form, say, **_decisions(day))


def _say_decided(request: Request, answers: Sequence[Decided]) -> None:
    first = answers[0]
    if len(answers) == 1:
        was = "" if first.before == first.disposition else f" (was {first.before})"
        render.say(request, f"{first.piece} is {first.disposition}{was}.")
    else:
        labels = [answer.piece for answer in answers]
        render.say(request, f"{counted(len(labels), 'piece')} {first.disposition}: {shortened(labels)}.")
    notes = dict.fromkeys(note for answer in answers for note in answer.notes)
    if notes:
        render.say(request, paged(" ".join(notes)))


def shortened(labels: Sequence[str], most: int = 10) -> str:
    """Return labels for a sentence, the first few where they are many."""
    shown = ", ".join(labels[:most])
    return shown if len(labels) <= most else f"{shown} and {len(labels) - most} more"


@router.get("/settle")
def ask_truth(request: Request, workspace: needs.Opened, piece: Pieces = None) -> Response:
    """Ask what a piece has turned out to be."""
    return SETTLING.form(request, workspace, piece or [], {}, grounds=TRUTH_GROUNDS)


@router.post("/settle", dependencies=[Written])
def settled(request: Request, workspace: needs.Opened, operator: needs.Operator, form: typed.Form) -> Response:
    """Record a truth about a piece, or take it back."""

    def say(words: tuple[str, ...]) -> str:
        if not form.text("truth"):
            raise BadRequest("Nothing was chosen.", "Choose whether it is genuine or not.")
        answer = settle(
            workspace,
            one(words),
            form.text("truth"),
            form.text("grounds"),
            withdraw=form.ticked("withdraw"),
            seen=form.seen,
            operator=operator,
        )
        _say_declared(request, answer, "" if answer.said.startswith("no longer") else "settled as ")
        return place_of([answer.piece])

    return SETTLING.say(request, workspace, form, say, grounds=TRUTH_GROUNDS)


@router.get("/exemplar")
def ask_exemplar(request: Request, workspace: needs.Opened, piece: Pieces = None) -> Response:
    """Ask on what grounds a piece is known to be good."""
    return EXEMPLAR.form(request, workspace, piece or [], {}, grounds=EXEMPLAR_GROUNDS)


@router.post("/exemplar", dependencies=[Written])
def declared(request: Request, workspace: needs.Opened, operator: needs.Operator, form: typed.Form) -> Response:
    """Declare a piece an exemplar, or take it back."""

    def say(words: tuple[str, ...]) -> str:
        withdraw = form.ticked("withdraw")
        grounds = form.text("grounds")
        answer = declare_exemplar(workspace, one(words), grounds, withdraw=withdraw, seen=form.seen, operator=operator)
        _say_declared(request, answer, "" if answer.said.startswith("no longer") else "an ")
        return place_of([answer.piece])

    return EXEMPLAR.say(request, workspace, form, say, grounds=EXEMPLAR_GROUNDS)


def _say_declared(request: Request, answer: Declared, verb: str) -> None:
    before = f" It was said before: {answer.supersedes}." if answer.supersedes else ""
    render.say(request, f"{answer.piece} is {verb}{answer.said}.{before}")
    if answer.notes:
        render.say(request, paged(" ".join(answer.notes)))
