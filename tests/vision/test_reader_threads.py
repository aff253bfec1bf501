"""How many threads the neural reader may use, as the environment says."""

from pathlib import Path

import pytest
from conftest import Lotproof

from vision.read.models import THREADS_VARIABLE, threads


@pytest.mark.parametrize(
    ("said", "told"), [(None, 0), ("", 0), (" ", 0), ("0", 0), ("1", 1), (" 2 ", 2), ("1024", 1024)]
)
def test_a_number_or_nothing(monkeypatch: pytest.MonkeyPatch, said: str | None, told: int) -> None:
    if said is None:
        monkeypatch.delenv(THREADS_VARIABLE, raising=False)
    else:
        monkeypatch.setenv(THREADS_VARIABLE, said)
    assert threads() == told


WRONG = ("abc", "-1", "1.5", "1025", "9" * 5000, "\u0661", "1_0")


@pytest.mark.parametrize("said", WRONG, ids=lambda said: said[:8])
def test_anything_else_is_refused_in_a_sentence(monkeypatch: pytest.MonkeyPatch, said: str) -> None:
    monkeypatch.setenv(THREADS_VARIABLE, said)
    with pytest.raises(ValueError, match=r"LOTPROOF_READER_THREADS is '.*', and no number of threads"):
        threads()


def test_the_verbs_refuse_it_before_they_look(
    lotproof: Lotproof, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(THREADS_VARIABLE, "abc")
    photo = Path(__file__).parents[2] / "sample_images" / "none.jpg"
    ran = lotproof("inspect", photo)
    assert (ran.code, ran.out) == (2, "")
    assert "LOTPROOF_READER_THREADS is 'abc'" in ran.err
    assert "Unset LOTPROOF_READER_THREADS" in ran.err
    told = lotproof("doctor")
    assert "Unset LOTPROOF_READER_THREADS" in told.out
