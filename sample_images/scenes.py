"""The pictures: which chips lie where, in which light, and what was done to them. All makers and parts are invented."""

from dataclasses import replace

import numpy as np

from sample_images.camera import Camera, Light, Sensor
from sample_images.marks import Marking
from sample_images.parts import DIP14, DIP16, DIP40, PLCC44, QFP44, SOIC16, Package, Piece, Work
from sample_images.photo import Scene
from sample_images.sheet import CardSheet

PORT = Marking(("CV6522AP", "8733 K2104"), logo="corvane", height=1.75, stroke=0.2, pitch=2.75)
PORT_LATER = replace(PORT, lines=("CV6522AP", "8911 K2377"))
RE_MARK = Marking(
    ("CV6522AP", "9118 K2104"), logo="corvane", height=2.0, stroke=0.28, width=0.57, pitch=2.85,
    angle=0.6, place=(1.6, -0.5), tone=(0.7, 0.7, 0.66),
)  # fmt: skip
OLD_MARK = Marking(("CV6522P", "8407 E"), height=1.75, stroke=0.2, pitch=2.75, place=(-2.6, 1.5), logo="corvane")
COUNTER = Marking(
    ("HDS74HC595D", "0417 B7"), height=0.86, stroke=0.1, pitch=1.35, width=0.5, spacing=0.3, kind="laser",
    tone=(0.16, 0.16, 0.16), place=(0.2, -0.1), centred=True,
)  # fmt: skip
PERIPHERAL = Marking(
    ("CV82C55AJ", "9214", "N3307"), height=1.5, stroke=0.18, pitch=2.3, centred=True, tone=(0.68, 0.6, 0.38),
    place=(0, 0.6),
)  # fmt: skip
DRIVER = Marking(
    ("HDS", "HDS6840FP", "0122 A4"), height=0.95, stroke=0.11, pitch=1.5, centred=True, kind="laser",
    tone=(0.17, 0.17, 0.17), width=0.6,
)  # fmt: skip
GATE = Marking(
    ("CV74HC08N", "0436 L2"),
    height=1.2,
    stroke=0.13,
    pitch=1.85,
    width=0.58,
    kind="laser",
    tone=(0.15,) * 3,
    logo="corvane",
    place=(-0.9, 0.0),
)
COUNT = replace(GATE, lines=("CV74HC163N", "0441 L2"))


def _lot(
    package: Package,
    marking: Marking,
    places: list[tuple[float, float, float]],
    seed: int,
    *,
    sway: float = 0.12,
    **traits: object,
) -> list[Piece]:
    """Return siblings: the same marking with the small differences that one press and one mould leave."""
    rng = np.random.default_rng(seed)
    pieces = []
    for x, y, angle in places:
        slip = rng.normal(0, sway, 2)
        placed = (marking.place[0] + float(slip[0]), marking.place[1] + 0.6 * float(slip[1]))
        mark = replace(marking, place=placed, angle=marking.angle + float(rng.normal(0, 0.18)))
        shade = float(rng.normal(1, 0.03))
        tone = (0.040 * shade, 0.040 * shade, 0.041 * shade)
        piece = Piece(
            package, (x, y), mark, angle, tone, gloss=float(rng.uniform(14, 19)), wear=float(rng.uniform(0.05, 0.3))
        )
        pieces.append(replace(piece, **traits))  # type: ignore[arg-type]
    return pieces


def marketplace_lot() -> Scene:
    """Eight DIP-40 in pink foam; the third and the sixth are re-marked."""
    places = [
        (-29.5, -33.5, -1.2), (27.5, -34.2, 0.8), (-28.7, -11.6, 0.4), (28.2, -11.0, 181.5),
        (-29.2, 10.6, -0.6), (27.3, 11.2, 1.4), (-28.0, 32.6, 1.0), (28.6, 33.4, -0.9),
    ]  # fmt: skip
    pieces = _lot(DIP40, PORT, places, 11)
    sanded = "re-marked: sanded along the body, dimple nearly gone, lettering larger, bolder, higher, other date code"
    pieces[2] = replace(
        pieces[2], marking=RE_MARK, work=Work(sanded=0.9, direction=3.0, coated=0.25), truth=sanded, wear=0.02,
        gloss=10.0,
    )  # fmt: skip
    coated = "re-marked: sanded across the body, thinly painted, old mark CV6522P 8407 E faintly under the new one"
    pieces[5] = replace(
        pieces[5], marking=replace(RE_MARK, angle=-0.5, place=(2.0, -0.3)), truth=coated, wear=0.02,
        work=Work(sanded=0.85, direction=80.0, coated=0.5, old_mark=OLD_MARK, old_strength=1.1),
    )  # fmt: skip
    return Scene(
        "marketplace_lot", "a lot from a marketplace seller, in the foam it came in",
        Camera((2000, 1500), (14, 95, 250), (0, -1, 2), 131, roll=1.2),
        Light((-150, -120, 210), lamp_rgb=(0.86, 0.8, 0.7), sky_rgb=(0.27, 0.29, 0.33), bench_rgb=(0.34, 0.16, 0.2)),
        Sensor(exposure=1.0, white=(1.0, 1.0, 1.02), focus=(0, 2), depth_blur=0.025),
        "pink foam", tuple(pieces), 101,
    )  # fmt: skip


def authorised_lot() -> Scene:
    """Four genuine DIP-40 of a later week on printed card, in daylight from the right."""
    places = [(-30.2, -13.5, 0.7), (28.6, -12.2, -0.8), (-29.1, 12.8, -0.4), (29.4, 13.6, 0.9)]
    pieces = _lot(DIP40, PORT_LATER, places, 23, seated=False)
    return Scene(
        "authorised_lot", "a lot from an authorised distributor, to compare others with",
        Camera((2000, 1200), (-20, 70, 270), (0, 3, 2), 128, roll=-0.8),
        Light((260, -190, 280), lamp_rgb=(0.5, 0.53, 0.58), sky_rgb=(0.42, 0.43, 0.45), softness=9,
              bench_rgb=(0.5, 0.5, 0.5), hot=1.4),
        Sensor(exposure=0.98, white=(1.03, 1.0, 0.93), focus=(0, -6), depth_blur=0.02),
        "card", tuple(pieces), 202,
    )  # fmt: skip


def soic_lot() -> Scene:
    """Nine SOIC-16 with laser marks on conductive foam, seen from close by."""
    columns, rows = (-15.6, 0.3, 15.9), (-11.5, 0.2, 11.8)
    rng = np.random.default_rng(31)
    places = [(x + rng.normal(0, 0.4), y + rng.normal(0, 0.35), rng.normal(0, 2.5)) for y in rows for x in columns]
    pieces = _lot(SOIC16, COUNTER, places, 37, sway=0.05)
    return Scene(
        "soic_lot", "small outline parts on conductive foam",
        Camera((1900, 1425), (-8, 28, 120), (0, 0.4, 1), 49, roll=-1.5),
        Light((55, -95, 90), lamp_rgb=(0.85, 0.82, 0.76), sky_rgb=(0.3, 0.31, 0.34), softness=2.0,
              bench_rgb=(0.04, 0.04, 0.04)),
        Sensor(exposure=1.25, white=(1.0, 1.0, 1.0), focus=(0, 1), depth_blur=0.06, noise=1.1),
        "black foam", tuple(pieces), 303,
    )  # fmt: skip


def mixed_bench() -> Scene:
    """Two PLCC-44 with yellowish ink and three QFP-44 with laser marks on a wooden bench."""
    plcc = _lot(PLCC44, PERIPHERAL, [(-23.5, -12.0, 4.0), (-21.8, 13.2, -3.0)], 41)
    qfp = _lot(QFP44, DRIVER, [(4.2, -12.6, -5.0), (26.2, -9.6, 92.0), (13.8, 12.3, 2.5)], 43, sway=0.06)
    return Scene(
        "mixed_bench", "chip carriers and flat packs on the bench",
        Camera((1900, 1330), (16, 70, 165), (1.5, 0.8, 2), 84, roll=2.0),
        Light((-95, -80, 120), lamp_rgb=(0.95, 0.82, 0.62), sky_rgb=(0.26, 0.26, 0.27), bench_rgb=(0.3, 0.2, 0.1)),
        Sensor(exposure=0.92, white=(0.95, 1.0, 1.1), focus=(0, 3), depth_blur=0.05),
        "wood", (plcc[0], qfp[0], qfp[1], plcc[1], qfp[2]), 404,
    )  # fmt: skip


def _swabbed(wiped: float) -> Piece:
    work = Work(sanded=0.85, direction=80.0, coated=0.9, wiped=wiped, old_mark=OLD_MARK, old_strength=1.5)
    truth = "re-marked: sanded, painted, old mark CV6522P 8407 E under the new one"
    truth += ", after a solvent swab took paint and ink off the middle" if wiped else ", before the swab"
    mark = replace(RE_MARK, angle=-0.5, place=(2.0, -0.3))
    return Piece(DIP40, (0.4, -0.6), mark, 0.8, work=work, truth=truth, wear=0.02, seated=False)


def swab_before() -> Scene:
    """One re-marked DIP-40 on a white sheet."""
    return Scene(
        "swab_before", "one piece before the solvent swab",
        Camera((1800, 1000), (6, 42, 160), (0, 0.5, 4), 66, roll=-1.0),
        Light((-130, -110, 170), lamp_rgb=(0.7, 0.67, 0.6), sky_rgb=(0.36, 0.37, 0.4), softness=4,
              bench_rgb=(0.5, 0.5, 0.5)),
        Sensor(exposure=0.95, white=(1.02, 1.0, 0.95), focus=(0, 0), depth_blur=0.03),
        "paper", (_swabbed(0.0),), 505,
    )  # fmt: skip


def swab_after() -> Scene:
    """The same piece after the swab, laid down anew."""
    before = swab_before()
    piece = replace(_swabbed(0.85), place=(-0.9, 0.7), angle=-1.1)
    camera = replace(before.camera, position=(2, 46, 158), roll=0.6)
    return replace(before, name="swab_after", about="the same piece after it", camera=camera, pieces=(piece,))


def bottom_view() -> Scene:
    """Undersides of four DIP-40: moulded letters, ejector marks, leads up."""
    places = [(-30.0, -13.2, 0.8), (29.6, -13.9, -0.7), (-29.2, 14.0, 1.4), (30.2, 13.2, 0.3)]
    pieces = _lot(DIP40, PORT, places, 61, upside_down=True)
    return Scene(
        "bottom_view", "undersides of four pieces of the marketplace lot",
        Camera((1900, 1150), (5, 45, 300), (0, 0, 3), 133, roll=0.5),
        Light((-160, -170, 230), lamp_rgb=(0.78, 0.72, 0.62), sky_rgb=(0.3, 0.31, 0.34), bench_rgb=(0.4, 0.3, 0.2)),
        Sensor(exposure=0.9, focus=(0, 0), depth_blur=0.02),
        "kraft", tuple(pieces), 606,
    )  # fmt: skip


def logic_lot() -> Scene:
    """Four DIP-14 and four DIP-16 with laser marks on kraft paper; all genuine."""
    gates = [(-15.5, -21.6, 1.2), (-14.2, -7.0, -0.8), (-15.0, 7.4, 0.4), (-14.5, 21.8, -1.5)]
    counts = [(14.6, -21.0, -0.6), (15.6, -7.4, 181.0), (14.8, 7.2, 1.3), (15.3, 21.2, 0.6)]
    left = _lot(DIP14, GATE, gates, 71, sway=0.06, seated=False)
    right = _lot(DIP16, COUNT, counts, 73, sway=0.06, seated=False)
    order = tuple(piece for pair in zip(left, right, strict=True) for piece in pair)
    return Scene(
        "logic_lot", "laser-marked logic in two packages",
        Camera((1800, 1500), (10, 55, 170), (0, 0.5, 2), 68, roll=-1.0),
        Light((110, -120, 130), lamp_rgb=(0.9, 0.85, 0.76), sky_rgb=(0.28, 0.3, 0.33), bench_rgb=(0.35, 0.26, 0.17)),
        Sensor(exposure=0.95, white=(1.0, 1.0, 1.0), focus=(0, 0), depth_blur=0.04),
        "kraft", order, 707,
    )  # fmt: skip


def card_lot() -> Scene:
    """Six DIP-40 on the inspection card, one cell left empty; the body of piece 4 is too long for its package."""
    sheet = CardSheet("L0003", "CV6522AP", 7, "large", angle=0.6)
    cells = {1: 0.8, 2: -1.4, 3: 180.6, 4: 0.5, 5: -0.7, 7: 1.6}
    rng = np.random.default_rng(83)
    places = [
        (x + float(rng.normal(0, 2.5)), y + float(rng.normal(0, 1.2)), angle)
        for (x, y), angle in ((sheet.cell(number), angle) for number, angle in cells.items())
    ]
    pieces = _lot(DIP40, PORT_LATER, places, 89, seated=False)
    long = "another body: 56.0 mm long where DIP-40 has 50.3 to 53.2 mm"
    pieces[3] = replace(pieces[3], package=replace(DIP40, length=56.0), truth=long)
    return Scene(
        "card_lot", "a lot on its printed inspection card",
        Camera((1560, 2080), (24, 52, 236), (0, 6, 0), 212, roll=1.1),
        Light((-190, -150, 240), lamp_rgb=(0.66, 0.6, 0.5), sky_rgb=(0.3, 0.31, 0.33), softness=5,
              bench_rgb=(0.5, 0.5, 0.5)),
        Sensor(exposure=0.95, white=(1.04, 1.0, 0.96), focus=(0, 0), depth_blur=0.008, noise=0.6),
        "kraft", tuple(pieces), 808, sheet, 390_000,
    )  # fmt: skip


SCENES = (
    marketplace_lot, authorised_lot, soic_lot, mixed_bench, swab_before, swab_after, bottom_view, logic_lot, card_lot,
)  # fmt: skip
