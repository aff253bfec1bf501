"""Who differs from the others: quiet on genuine pieces in other light, both of two among six, honest halves."""

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_faces import Made, face_of, lines_of
from PIL import Image
from scipy import stats

from vision import lettering, surface
from vision.compare import compare, fingerprint, reuse_observation, reused, swab
from vision.matching import match_lines
from vision.observations import Face, Line, Measure, NotMeasured, Observation, PieceView, Rgb
from vision.reuse import Fingerprint, distance, perceptual_hash
from vision.spread import OUTLYING, deviation, scatter

OTHER_MARK = {"height": 0.175, "width": 0.112, "advance": 0.142, "stroke": 0.03}
SANDED = {"sanded": 0.1, "scratch_angle": 15.0}
OLD = {"ghost": "HDS62256", "ghost_contrast": 0.22, "ghost_place": (1.3, 0.74)}


@cache
def view(made: Made, photo: str = "one") -> PieceView:
    """A measured piece."""
    face, lines = face_of(made), lines_of(made)
    rows, columns = made.size
    outline = ((0.0, 0.0), (columns, 0.0), (columns, rows), (0.0, rows))
    return PieceView(
        outline, 0.9, None, 0.0, lines, face, lettering.measure(face, lines), surface.measure(face, lines), photo=photo
    )


def genuine(piece: int, **changes: object) -> Made:
    """One of a lot: outline off by up to 3 %, other place, blur, noise, light and date code."""
    rng = np.random.default_rng(piece)
    scale = rng.uniform(0.98, 1.02)
    made = Made(
        seed=piece,
        texts=("CV6522AP", f"MERIDIA 86{rng.integers(10, 52)}"),
        height=0.15 * scale,
        width=0.10 * scale,
        advance=0.135 * scale,
        pitch=0.3 * scale,
        stroke=0.022 * rng.uniform(0.95, 1.05),
        angle=rng.normal(0, 0.4),
        left=0.35 + rng.normal(0, 0.015),
        top=0.25 + rng.normal(0, 0.012),
        blur=rng.uniform(0.7, 1.4),
        noise=rng.uniform(0.001, 0.003),
        shade=rng.uniform(0.0, 0.6),
        exposure=rng.uniform(0.7, 1.4),
        ground=0.05 * rng.uniform(0.8, 1.2),
        ink=0.35 * rng.uniform(0.85, 1.1),
        roughness=0.06 * rng.uniform(0.9, 1.1),
        box_slack=rng.uniform(0.0, 0.03),
    )
    return made.but(**changes)


def found(made: Sequence[Made], exemplars: Sequence[Made] = ()) -> list[dict[str, Observation]]:
    """What was observed of each piece, by code."""
    results = compare([view(m) for m in made], [view(m, "another") for m in exemplars])
    return [{o.code: o for o in observed} for observed, _ in results]


# --- the rule


@pytest.mark.parametrize("n", [2, 3, 4, 5, 6, 7, 8, 9, 10, 25])
def test_small_sample_factors_make_the_mad_right_on_average(n: int) -> None:
    """Against simulation: over normal samples the corrected MAD averages to the standard deviation."""
    samples = np.random.default_rng(n).standard_normal((40_000, n))
    mad = np.median(np.abs(samples - np.median(samples, axis=1, keepdims=True)), axis=1)
    factor = scatter(samples[0].tolist()) / (1.4826 * mad[0])
    assert factor * 1.4826 * mad.mean() == pytest.approx(1.0, abs=0.03)


def test_the_bound_is_iglewicz_and_hoaglins_in_large_groups() -> None:
    """3.5 (Iglewicz & Hoaglin 1993); in small ones the t quantile that leaves as little in the tail (SciPy)."""
    many = deviation(0.0, 0.0, np.linspace(-1, 1, 2001).tolist(), [0.0] * 2001, 0.6)
    assert many.bound == pytest.approx(OUTLYING, abs=0.05)
    few = deviation(0.0, 0.0, [0.0, 0.1], [0.0, 0.0], 0.1)
    assert stats.t.sf(few.bound, 40 + 0.37) == pytest.approx(stats.norm.sf(3.5), rel=1e-4)
    assert few.bound > many.bound


@settings(max_examples=50, deadline=None)
@given(
    others=st.lists(st.floats(-1, 1), min_size=1, max_size=9),
    value=st.floats(-50, 50),
    u=st.floats(0, 1),
    allowance=st.floats(0.01, 1),
)
def test_a_deviation_is_never_surer_than_its_parts(
    others: list[float], value: float, u: float, allowance: float
) -> None:
    wide = deviation(value, u, others, [0.1] * len(others), allowance)
    assert wide.width > u
    assert wide.visible >= wide.width * OUTLYING
    assert deviation(value, u + 0.5, others, [0.1] * len(others), allowance).width > wide.width
    assert deviation(value, u, others, [0.1] * len(others), 2 * allowance).width > wide.width


def test_false_alarms_are_as_rare_as_declared() -> None:
    """Groups of six whose scatter is what is allowed for: beyond the bound about 5 in 10,000, not 5 in 100."""
    rng = np.random.default_rng(3)
    flagged = 0
    for _ in range(1500):
        values = rng.normal(0, 0.1, 6)
        rest = values[1:].tolist()
        flagged += deviation(float(values[0]), 0.0, rest, [0.0] * 5, 0.1).strength is not None
    assert flagged / 1500 < 0.004


def test_a_comparison_needs_something_to_compare_with() -> None:
    with pytest.raises(ValueError, match="at least one other"):
        deviation(1.0, 0.1, [], [], 0.1)
    assert compare([]) == []


# --- groups


@pytest.mark.parametrize("lot", range(4))
def test_genuine_pieces_photographed_differently_are_quiet(lot: int) -> None:
    assert found([genuine(100 * lot + k) for k in range(6)]) == [{}] * 6


def test_two_re_marked_among_six_are_both_found() -> None:
    pieces = [genuine(k, **(OTHER_MARK | SANDED if k in (3, 5) else {})) for k in range(1, 7)]
    observed = found(pieces)
    for k in (2, 4):
        assert {"lettering-height-differs", "surface-sanded"} <= observed[k].keys()
        assert observed[k]["surface-sanded"].strength == "clear"
        height = observed[k]["lettering-height-differs"]
        assert height.value == pytest.approx(0.175, rel=0.04)
        assert height.reference == pytest.approx(0.15, rel=0.05)
        assert "taller" in height.message
    assert [observed[k] for k in (0, 1, 3, 5)] == [{}] * 4


def test_an_even_split_is_never_clear_and_says_so() -> None:
    pieces = [genuine(k, **({"height": 0.19, "pitch": 0.34} if k % 2 else {})) for k in range(6)]
    observed = [o for piece in found(pieces) for o in piece.values() if o.family == "lettering"]
    assert observed
    assert {o.strength for o in observed} == {"slight"}
    assert all("two kinds" in o.message for o in observed)


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"height": 0.18}, "lettering-height-differs"),
        ({"width": 0.12}, "lettering-width-differs"),
        ({"advance": 0.155}, "lettering-spacing-differs"),
        ({"stroke": 0.038}, "lettering-stroke-differs"),
        ({"pitch": 0.36}, "lettering-pitch-differs"),
        ({"slant": 13.0}, "lettering-slant-differs"),
        ({"angle": 6.0}, "lettering-angle-differs"),
        ({"left": 0.60}, "lettering-position-differs"),
        ({"top": 0.42}, "lettering-position-differs"),
        ({"ink": 0.065}, "lettering-contrast-differs"),
        ({"roughness": 0.018}, "surface-coated"),
        ({"roughness": 0.16}, "surface-differs"),
        (SANDED, "surface-sanded"),
        (OLD, "surface-old-mark"),
    ],
)
def test_each_difference_has_its_code(changes: dict[str, object], code: str) -> None:
    observed = found([genuine(1), genuine(2), genuine(3, **changes), genuine(4), genuine(5)])
    assert code in observed[2]
    assert observed[2][code].message.endswith(".")
    assert observed[2][code].outline is not None
    assert code not in observed[0] | observed[1] | observed[3] | observed[4]


def test_one_exemplar_is_enough_and_speaks_first() -> None:
    alone = found([genuine(3, **(OTHER_MARK | SANDED))], [genuine(50)])[0]
    assert "surface-sanded" in alone
    assert "known-good" in alone["surface-sanded"].message
    # All of the lot re-marked alike: siblings agree with each other, only the exemplar tells.
    lot = [genuine(k, height=0.2, pitch=0.36) for k in range(1, 5)]
    assert all("lettering-height-differs" not in piece for piece in found(lot))
    assert all("lettering-height-differs" in piece for piece in found(lot, [genuine(50), genuine(51)]))


def test_a_piece_like_the_exemplar_is_not_blamed_for_its_siblings() -> None:
    lot = [genuine(1), *(genuine(k, height=0.2, pitch=0.36) for k in range(2, 6))]
    assert "lettering-height-differs" in found(lot)[0]
    assert "lettering-height-differs" not in found(lot, [genuine(50)])[0]


def test_body_sizes_are_compared_in_millimetres_with_a_card() -> None:
    views = []
    for k, width in enumerate((6.35, 6.32, 6.38, 7.6)):
        piece = view(genuine(k + 1))
        views.append(replace(piece, face=replace(piece.face, mm_per_px=width / 300)))
    results = compare(views)
    codes = [{o.code for o in observed} for observed, _ in results]
    assert "body-size-differs" in codes[3]
    assert not any("body-size-differs" in c for c in codes[:3])


def test_looked_for_lists_what_could_have_been_seen() -> None:
    six = compare([view(genuine(k)) for k in range(1, 7)])
    for code in ("lettering-height-differs", "lettering-pitch-differs", "surface-sanded", "surface-old-mark"):
        assert all(code in looked for _, looked in six)
    pair = compare([view(genuine(1)), view(genuine(2))])
    assert all(looked == ("surface-old-mark",) for _, looked in pair)
    unmeasured = replace(view(genuine(1)), lettering=lettering.measure(face_of(genuine(1)), ()), lines=())
    _, looked = compare([unmeasured, view(genuine(2)), view(genuine(3))])[0]
    assert not any(code.startswith("lettering") for code in looked)


def test_lines_are_matched_through_misreadings_and_date_codes() -> None:
    first, second = view(genuine(1)), view(genuine(2))
    misread = replace(second, lines=(replace(second.lines[0], text="CV6S22AP"), second.lines[1]))
    slots = [[line.slot for line in piece] for piece in match_lines([first, misread])]
    assert slots == [[0, 1], [0, 1]]


def test_siblings_in_one_photo_are_asked_before_those_in_others() -> None:
    """Contrast differs from photo to photo by light; a piece is compared with those beside it."""
    pieces = [view(genuine(k, ink=0.35), "one") for k in range(1, 5)]
    pieces += [view(genuine(k, ink=0.14), "two") for k in range(5, 9)]
    results = compare(pieces)
    assert not any(o.code == "lettering-contrast-differs" for observed, _ in results for o in observed)


# --- swab


def test_a_swab_that_changes_nothing_is_quiet() -> None:
    assert swab(view(genuine(1)), view(genuine(1, seed=9, exposure=1.3, shade=0.1))) == ()


def test_mark_loss_grows_with_what_is_gone() -> None:
    before = view(genuine(1))
    losses = []
    for ink in (0.15, 0.1, 0.06):
        observed = {o.code: o for o in swab(before, view(genuine(1, seed=9, ink=ink)))}
        losses.append(observed["swab-mark-loss"].value)
    assert losses == sorted(losses)
    gone = {o.code: o for o in swab(before, view(genuine(1, seed=9, texts=())))}
    assert gone["swab-mark-loss"].strength == "clear"
    assert gone["swab-mark-loss"].value == pytest.approx(1.0, abs=0.05)


def test_a_coating_that_comes_off_is_seen() -> None:
    codes = {o.code for o in swab(view(genuine(1, roughness=0.015)), view(genuine(1, seed=9, sanded=0.12)))}
    assert "swab-surface-change" in codes


# --- reused pictures


def picture(seed: int) -> Rgb:
    """A scene with structure at all scales."""
    rng = np.random.default_rng(seed)
    total = np.zeros((240, 320, 3))
    for size in (3, 6, 12, 24):
        total += cv2.resize(rng.uniform(0, 255, (size, size, 3)), (320, 240), interpolation=cv2.INTER_CUBIC) / 4
    return np.clip(total, 0, 255).astype(np.uint8)


def test_perceptual_hash_is_the_dct_hash_as_described() -> None:
    """Against a plain double sum: grey, 32 x 32, DCT-II along columns then rows, low 8 x 8, above its median."""
    photo = picture(1)
    grey = np.asarray(Image.fromarray(photo).convert("L").resize((32, 32), Image.Resampling.LANCZOS), dtype=float)
    k, n = np.arange(8)[:, None], np.arange(32)[None, :]
    cosines = np.cos(np.pi * k * (2 * n + 1) / 64)
    low = cosines @ grey @ cosines.T
    bits = "".join("1" if b else "0" for b in (low > np.median(low)).ravel())
    assert perceptual_hash(photo) == int(bits, 2)


def test_hamming_distance_of_the_published_pair() -> None:
    """imagehash 4.3.2's README: ffd7918181c9ffff and 9f172786e71f1e00 differ in 33 bits."""
    assert distance(0xFFD7918181C9FFFF, 0x9F172786E71F1E00) == 33


def test_resaved_pictures_are_found_and_others_are_not() -> None:
    original, other = picture(1), picture(2)
    _, coded = cv2.imencode(".jpg", original, [cv2.IMWRITE_JPEG_QUALITY, 60])
    resaved = cv2.resize(cv2.imdecode(coded, cv2.IMREAD_COLOR), (250, 190), interpolation=cv2.INTER_AREA)
    prints = [fingerprint(p, name) for p, name in ((original, "a"), (other, "b"), (resaved, "c"))]
    (pair,) = reused(prints)
    assert (pair.photo, pair.other, pair.exact, pair.in_known) == (2, 0, False, False)
    assert reuse_observation(pair, "photo 1").strength == "slight"
    (same,) = reused([prints[1]], known=[Fingerprint("x", None), Fingerprint("b", None)])
    assert (same.other, same.exact, same.in_known) == (1, True, True)
    assert reuse_observation(same, "an earlier picture").strength == "clear"


def test_a_flat_picture_is_like_no_other() -> None:
    flat = np.full((50, 50, 3), 90, np.uint8)
    assert perceptual_hash(flat) is None
    assert reused([fingerprint(flat, "a"), fingerprint(flat + 1, "b")]) == ()


# --- anything at all


def nonsense(seed: int) -> PieceView:
    """A picture of anything with boxes anywhere."""
    rng = np.random.default_rng(seed)
    rows, columns = (int(v) for v in rng.integers(1, (200, 400)))
    pictures = (
        np.full((rows, columns, 3), rng.choice([0, 90, 255])),
        rng.integers(0, 256, (rows, columns, 3)),
        np.repeat((rng.random((rows, columns, 1)) > 0.5) * 255, 3, axis=2),
        np.repeat(np.linspace(0, 255, columns)[None, :, None].repeat(rows, axis=0), 3, axis=2),
    )
    lines = []
    for text in ("CV6522AP", "", "I", "8614 \u6f22")[: rng.integers(0, 5)]:
        a, b, c, d = ((float(x), float(y)) for x, y in rng.uniform(-40, max(rows, columns) + 40, (4, 2)))
        lines.append(Line(text, 0.5, (a, b, c, d), (a, b, c, d), ()))
    face = Face(pictures[seed % 4].astype(np.uint8), np.eye(3))
    outline = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
    return PieceView(
        outline, 0.5, None, 0.0, tuple(lines), face, lettering.measure(face, lines), surface.measure(face, lines)
    )


@pytest.mark.filterwarnings("error")
def test_pictures_of_anything_are_measured_or_refused() -> None:
    views = [nonsense(seed) for seed in range(80)]
    for piece in views:
        for measured in (piece.lettering, piece.surface):
            for name in measured.__slots__ if measured else ():
                entry = getattr(measured, name)
                if isinstance(entry, Measure):
                    assert np.isfinite([entry.value, entry.u]).all()
                    assert entry.u >= 0
                elif isinstance(entry, NotMeasured):
                    assert entry.reason
    for k in range(0, 80, 8):
        assert len(compare(views[k : k + 5], views[k + 5 : k + 7])) == 5
        swab(views[k], views[k + 1])
