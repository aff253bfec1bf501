"""A value with where it comes from, and the reading of the TOML files that hold such values."""

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, Generic, TypeVar

T = TypeVar("T")

FROM_MEMORY = "from memory"
COMMON_PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Fact(Generic[T]):
    """One value and its source: a named text, 'from memory' or 'common practice, no source'."""

    value: T
    source: str


@cache
def table(name: str) -> dict[str, Any]:
    """Return the content of one TOML file of this package; read once.

    Parameters
    ----------
    name : str
        File name, e.g. 'makers.toml'.
    """
    return tomllib.loads(resources.files("tracker.knowledge").joinpath(name).read_text(encoding="utf-8"))


def sourced(entry: dict[str, Any]) -> str:
    """Return the entry's source; raises ValueError where a data file has a value without one."""
    source = entry.get("source")
    if not isinstance(source, str) or not source.strip():
        raise ValueError(f"an entry of the knowledge data has no source: {entry}")
    return source
