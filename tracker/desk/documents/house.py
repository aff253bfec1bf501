"""The document of an examination of the installation."""

from dataclasses import dataclass
from typing import Literal

from tracker.desk.doctor_check import Check
from tracker.desk.documents.base import Document


@dataclass(frozen=True, kw_only=True)
class DoctorDocument(Document):
    """What Lotproof is made of, and whether everything that the main job needs works."""

    schema: Literal["lotproof.doctor/1"] = "lotproof.doctor/1"
    works: bool
    checks: tuple[Check, ...]


def doctor_document(checks: tuple[Check, ...]) -> DoctorDocument:
    """Return the document of an examination."""
    return DoctorDocument(works=not any(check.bad for check in checks), checks=checks)
