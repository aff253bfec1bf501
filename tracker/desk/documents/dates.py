"""The document of interpreted date codes."""

from dataclasses import dataclass
from typing import Literal

from tracker.desk.dating import Dating
from tracker.desk.documents.base import Document, members
from tracker.knowledge.datecodes import DateCandidate, Suspect


@dataclass(frozen=True, kw_only=True)
class MarkingDated:
    """One marking, what its date code may mean, best first, and words in a date's place that name no date."""

    text: str
    candidates: tuple[DateCandidate, ...]
    suspects: tuple[Suspect, ...]


@dataclass(frozen=True, kw_only=True)
class DatecodeDocument(Document):
    """What the date codes in markings may mean."""

    schema: Literal["lotproof.datecode/1"] = "lotproof.datecode/1"
    markings: tuple[MarkingDated, ...]


def datecode_document(found: Dating) -> DatecodeDocument:
    """Return the document of interpreted date codes."""
    return DatecodeDocument(markings=tuple(MarkingDated(**members(one)) for one in found.markings))
