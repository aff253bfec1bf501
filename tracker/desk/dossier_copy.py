"""One copy of a dossier: what it leaves out, and what must therefore not stand anywhere in it."""

from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from tracker.dossier.redaction import Redaction, Secrets
from tracker.records.models import JournalEntry, Lot, Machine


@dataclass(frozen=True, slots=True)
class Copy:
    """What a copy leaves out, and the texts that would give it away."""

    redaction: Redaction
    secrets: Secrets

    def words(self, text: str | None) -> str:
        """Return what a person wrote, or named a file, without what is left out."""
        return self.secrets.out_of_words(text or "")

    def operator(self, name: str) -> str:
        """Return who did something, or nothing."""
        return "" if self.redaction.operators else name


def copy_of(session: Session, lot: Lot, redaction: Redaction) -> Copy:
    """Return the copy of a lot's dossier that leaves something out."""
    names: list[str] = []
    if redaction.operators:
        names += session.scalars(select(JournalEntry.operator).distinct())
    if redaction.owners:
        names += _said(session.scalars(select(Machine.owner_reference)))
    return Copy(
        redaction,
        Secrets(
            names=tuple(names),
            amounts=tuple(_said([lot.price])) if redaction.prices else (),
            currency=lot.currency,
            hide_money=redaction.prices,
        ),
    )


def _said(texts: Iterable[str | None]) -> list[str]:
    return [text for text in texts if text]
