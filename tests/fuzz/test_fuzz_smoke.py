"""A taste of every campaign of hostile input; `make fuzz` runs them at length."""

import importlib
import random
import sys
from collections.abc import Iterator

import pytest
from fuzz_choices import Fed
from fuzz_judge import Tally

CASES = {"units": 150, "parts": 100, "labels": 60, "settings": 60, "dates": 40, "photos": 60, "readings": 60,
         "deliveries": 30, "bags": 30, "pages": 40}  # fmt: skip


class _ByChance:
    """Stands in for the fuzzer's provider: choices out of a seed."""

    def __init__(self, seed: int) -> None:
        self._chance = random.Random(seed)

    def ConsumeIntInRange(self, least: int, most: int) -> int:
        return self._chance.randint(least, most)

    def ConsumeBytes(self, count: int) -> bytes:
        return self._chance.randbytes(count)


_THOROUGH = ("bags", "pages")
"""They need a whole workshop first."""


@pytest.fixture(scope="module", autouse=True)
def _tidied() -> Iterator[None]:
    """Remove what campaigns wrote, once all have run: two share a workshop."""
    yield
    for name in CASES:
        module = sys.modules.get(f"fuzz_{name}")
        if module is not None:
            getattr(module, "close", lambda: None)()


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=[pytest.mark.sweep] if name in _THOROUGH else []) for name in CASES]
)
def test_hostile_input_is_refused_or_understood(name: str) -> None:
    module, tally = importlib.import_module(f"fuzz_{name}"), Tally(name, "chance")
    for number in range(CASES[name]):
        tally.judge(module.one_case, module.made(Fed(_ByChance(number))))
    assert not tally.findings, {what: (one["said"], one["case"][:200]) for what, one in tally.findings.items()}
    assert len(tally.stages) >= 2, "the cases all end at one place"


def test_a_traceback_and_a_slow_case_are_findings(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(data: bytes) -> str:
        return {b"a": "fine"}[data]

    tally = Tally("x", "y")
    for data in (b"a", b"b", b"b"):
        tally.judge(broken, data)
    ((what, found),) = tally.findings.items()
    assert what.startswith("KeyError at ")
    assert (found["times"], bytes.fromhex(found["case"])) == (2, b"b")
    monkeypatch.setattr("fuzz_judge.MOST_SECONDS", -1.0)
    tally.judge(broken, b"a")
    assert "too slow at fine" in tally.findings
    monkeypatch.setattr("fuzz_judge._WORTH_WEIGHING", -1.0)
    monkeypatch.setattr("fuzz_judge.MOST_BYTES", -(1 << 50))
    tally.judge(broken, b"a")
    assert "too much memory at fine" in tally.findings
