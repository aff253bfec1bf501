"""A crew remembers the photos it has looked at: what comes again is as if it had been looked at again."""

import io
from dataclasses import fields, is_dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from vision import inspection
from vision.crew import Crew
from vision.inspection import PhotoSource, inspect
from vision.lexicon import NoLexicon
from vision.observations import Face, PhotoView, PhotoWarning, PieceView
from vision.remembered import Views

SAMPLES = Path(__file__).resolve().parents[2] / "sample_images"
NAMES = ("swab_before.jpg", "swab_after.jpg")


def sources(*names: str) -> list[PhotoSource]:
    """Return a part of each sample, for that takes less time."""
    found = []
    for name in names:
        out = io.BytesIO()
        Image.open(SAMPLES / name).crop((0, 0, 900, 500)).save(out, "PNG")
        found.append(PhotoSource(name, out.getvalue()))
    return found


def said(found: object) -> object:
    """Return everything of an inspection as plain values, pictures and all."""
    if isinstance(found, np.ndarray):
        return found.shape, found.tobytes()
    if is_dataclass(found):
        return [said(getattr(found, one.name)) for one in fields(found)]
    return [said(one) for one in found] if isinstance(found, tuple) else found


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Give the names of the photos that are opened to be looked at."""
    names: list[str] = []
    once = inspection._open

    def note(source: PhotoSource) -> inspection._Opened:
        names.append(source.path)
        return once(source)

    monkeypatch.setattr(inspection, "_open", note)
    return names


@pytest.mark.thorough
def test_a_second_look_gives_what_the_first_gave_and_opens_nothing(opened: list[str]) -> None:
    first, second = sources(*NAMES)
    crew = Crew()
    alone = said(inspect([first], hands=crew))
    done: list[tuple[int, int]] = []
    found = inspect([second, first], hands=crew, progress=lambda *one: done.append(one))
    assert opened == list(NAMES), "the first photo was looked at once"
    assert done == [(1, 2), (2, 2)]
    afresh = inspect([second, first])
    assert [len(view.pieces) > 0 for view in afresh.photos] == [True, True]
    assert said(found) == said(afresh)
    assert any(piece.looked_for for piece in found.photos[1].pieces), "they were compared"
    # What comparison showed is not remembered: by itself it has no siblings in another photo.
    assert said(inspect([first], hands=crew)) == alone
    assert said(found) != alone


def test_other_bytes_another_name_or_another_lexicon_are_looked_at() -> None:
    views, lexicon, seen = Views(), NoLexicon(), PhotoView("a.jpg", "", 9, 9)
    views.put("a.jpg", b"one", lexicon, seen)
    assert views.get("a.jpg", b"one", lexicon) is seen
    assert views.get("a.jpg", b"two", lexicon) is None
    assert views.get("b.jpg", b"one", lexicon) is None
    assert views.get("a.jpg", b"one", NoLexicon()) is None
    assert views.get("a.jpg", None, lexicon) is None


def test_what_may_go_well_another_time_is_not_remembered() -> None:
    views, lexicon, seen = Views(), NoLexicon(), PhotoView("a.jpg", "", 9, 9)
    views.put("a.jpg", b"one", lexicon, replace(seen, error="cannot be read"))
    views.put("a.jpg", b"one", lexicon, replace(seen, warnings=(PhotoWarning("one-reader", "Tesseract hung."),)))
    views.put("a.jpg", None, lexicon, seen)
    assert views.get("a.jpg", b"one", lexicon) is None


def test_what_was_not_used_for_longest_is_forgotten() -> None:
    views, lexicon = Views(most_bytes=2_500), NoLexicon()
    for name in ("a", "b"):
        views.put(name, b"", lexicon, _of_thousand_bytes(name))
    assert views.get("a", b"", lexicon) is not None
    views.put("c", b"", lexicon, _of_thousand_bytes("c"))
    assert [views.get(name, b"", lexicon) is not None for name in "abc"] == [True, False, True]
    views.put("c", b"", lexicon, _of_thousand_bytes("c"))
    assert views.get("a", b"", lexicon) is not None, "the same photo again takes no more room"


def _of_thousand_bytes(name: str) -> PhotoView:
    face = Face(np.zeros((10, 25, 4), np.uint8), np.eye(3))
    place = ((0.0, 0.0), (9.0, 0.0), (9.0, 3.0), (0.0, 3.0))
    return PhotoView(name, "", 9, 9, pieces=(PieceView(place, 1.0, None, 0.0, (), face),))
