"""What all documents share: their head, and how they become text."""

import json
from dataclasses import asdict, dataclass, fields
from typing import Any


@dataclass(frozen=True, kw_only=True)
class Document:
    """Base of all documents; `schema` names kind and version."""

    schema: str


def text(document: Document, *, indent: int | None = None) -> str:
    """Return a document as JSON text: days as ISO 8601 writes them.

    Raises
    ------
    ValueError
        It holds NaN or infinity, which have no JSON form.
    """
    return json.dumps(asdict(document), ensure_ascii=False, indent=indent, allow_nan=False, default=str)


def members(value: Any) -> dict[str, Any]:
    """Return the fields of a dataclass by name, as they are: to build a document that has them and more."""
    return {one.name: getattr(value, one.name) for one in fields(value)}
