"""The document of a session's token."""

from dataclasses import dataclass
from typing import Literal

from tracker.desk.documents.base import Document


@dataclass(frozen=True, kw_only=True)
class TokenDocument(Document):
    """The session's token."""

    schema: Literal["lotproof.token/1"] = "lotproof.token/1"
    token: str
