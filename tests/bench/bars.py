"""What was declared of some ratios: the most they may be. A word in the table; nothing passes or fails.

The bars are aims that the project set itself, no published figures. They hold against the plain side named here.
"""

from dataclasses import dataclass

from ratios import Ratio, quartiles


@dataclass(frozen=True, slots=True)
class Bar:
    """The most that ours / plain may be, and how that is said in the table."""

    most: float
    said: str


def _most(value: float) -> Bar:
    return Bar(value, f"{value:g}")


_BARS = {
    ("help", 'python -c "import typer"'): _most(1.5),
    ("intake", "cp; sync; sha256sum"): _most(2.0),
    ("verify", "sha256sum"): _most(1.3),
    ("receive", "pandas read_csv, to_sql"): _most(5),
    ("list pieces", "the same by SQL"): _most(3),
    ("list lots", "the same by SQL"): _most(3),
    ("recall", "the same by SQL"): _most(3),
    # Two workers at least 1.7 times as fast as one.
    ("reinspect", "one worker"): Bar(1 / 1.7, "1/1.7"),
}


def bar(one: Ratio) -> tuple[str, str]:
    """Return the bar of a line and whether its median meets it in this run, as the table shows them."""
    found = _BARS.get((one.name, one.plain))
    if found is None:
        return "-", ""
    return found.said, "met" if quartiles(one.ratios)[1] <= found.most else "not met"
