"""Packages by what can be told of them from above: how many leads a row has, and sizes measured in their pitch.

Figures are nominal, in millimetres. DIP after JEDEC MS-001 (bodies 6.35 wide) and MS-011 (13.8 wide); small outlines
after MS-012 (3.9) and MS-013 (7.5); chip carriers after MO-047; these as the makers' drawings named beside the same
packages in the workshop's table of outlines have them. Everything else is from memory: DIP of 400 and 900 mil, DIP with
a pitch of 1.778, the wider Japanese small outlines, J leads after MO-065 and MO-088, thin ones after MS-024 and MO-153,
flat packs after MS-022.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache


@dataclass(frozen=True, slots=True)
class Kind:
    """One package, or several of one name that look alike.

    Parameters
    ----------
    family : str
        'DIP', 'SOIC', 'SOP', 'SSOP', 'TSOP', 'SOJ', 'QFP' or 'PLCC'.
    name : str
        The family with the number of leads.
    along, across : int
        Leads of one of the long rows, and of one of the short ones: 0 where there are two rows only.
    length, width : float
        Of the body, in pitches: along the long rows, and from one of them to the other.
    reach : float
        How far leads stand out from the body as seen from above, in pitches.
    common : float
        How often it is met against the others.
    """

    family: str
    name: str
    along: int
    across: int
    length: float
    width: float
    reach: float
    common: float


# (leads, length, width), one group a pitch. How far DIP leads stand out: half of row less body, and the lead's own
# thickness. What is met how often: common practice, no source; old equipment is full of DIP.
_DIP = (
    (2.54, 0.75, 1.0, ((8, 9.5, 6.35), (14, 19.2, 6.35), (16, 19.4, 6.35), (20, 25.6, 6.35))),
    (2.54, 0.75, 0.6, ((18, 22.9, 6.35), (24, 31.6, 6.6), (28, 34.7, 7.0))),
    (2.54, 0.75, 0.1, ((6, 8.9, 6.35), (22, 27.4, 8.9), (24, 30.0, 8.9))),
    (2.54, 0.8, 1.0, ((24, 31.8, 13.8), (28, 36.7, 13.8), (40, 52.2, 13.8))),
    (2.54, 0.8, 0.6, ((32, 41.9, 13.8),)),
    (2.54, 0.8, 0.15, ((22, 28.0, 8.9), (36, 46.9, 13.8), (42, 52.9, 13.8), (48, 61.5, 13.8), (50, 64.0, 13.8))),
    (2.54, 1.1, 0.4, ((64, 81.3, 20.3),)),
    (1.778, 0.75, 0.15, ((24, 22.7, 6.4), (28, 26.7, 8.7), (30, 28.0, 8.7))),
    (1.778, 0.8, 0.2, ((42, 37.3, 13.8), (52, 46.9, 13.8), (54, 48.5, 13.8), (56, 50.3, 13.8), (64, 57.7, 17.0))),
)
_SOIC = (
    (1.27, 1.05, 0.8, ((8, 4.9, 3.9), (14, 8.65, 3.9), (16, 9.9, 3.9))),
    (1.27, 1.4, 0.5, ((16, 10.3, 7.5), (18, 11.55, 7.5), (20, 12.8, 7.5), (24, 15.4, 7.5), (28, 17.9, 7.5))),
)
_SOP = (
    (1.27, 0.9, 0.3, ((8, 5.0, 4.4), (14, 10.0, 4.4), (16, 10.0, 4.4))),
    (1.27, 1.25, 0.3, ((8, 5.2, 5.3), (14, 10.2, 5.3), (16, 10.2, 5.3), (20, 12.6, 5.3))),
    (1.27, 1.7, 0.3, ((24, 15.5, 8.4), (28, 18.2, 8.4), (32, 20.6, 11.3), (40, 26.0, 10.7), (44, 28.2, 12.6))),
)
_SSOP = (
    (
        0.65,
        1.25,
        0.2,
        ((14, 6.2, 5.3), (16, 6.2, 5.3), (20, 7.2, 5.3), (24, 8.2, 5.3), (28, 10.2, 5.3), (30, 10.2, 5.3)),
    ),
    (0.65, 1.0, 0.2, ((8, 3.0, 4.4), (14, 5.0, 4.4), (16, 5.0, 4.4), (20, 6.5, 4.4), (24, 7.8, 4.4), (28, 9.7, 4.4))),
    (0.65, 0.95, 0.15, ((8, 3.0, 3.0),)),
    (0.635, 1.05, 0.15, ((16, 4.9, 3.9), (20, 8.65, 3.9), (24, 8.65, 3.9))),
    (0.635, 1.4, 0.15, ((48, 15.9, 7.5), (56, 18.4, 7.5))),
    (0.5, 1.0, 0.15, ((48, 12.5, 6.1), (56, 14.0, 6.1))),
)
_TSOP = (
    (0.8, 0.8, 0.4, ((44, 18.4, 10.16), (50, 20.95, 10.16), (54, 22.2, 10.16))),
    (1.27, 0.8, 0.15, ((28, 18.4, 10.16), (32, 20.95, 10.16))),
    (0.65, 0.8, 0.2, ((66, 22.2, 10.16),)),
    (0.5, 0.8, 0.15, ((86, 22.2, 10.16),)),
    # With the leads at the short ends.
    (0.5, 0.8, 0.2, ((32, 8.0, 18.4), (40, 10.0, 18.4), (48, 12.0, 18.4), (56, 14.0, 18.4))),
    (0.55, 0.8, 0.2, ((28, 8.0, 11.8),)),
)
_SOJ = (
    (1.27, 0.45, 0.2, ((24, 15.9, 7.6), (28, 18.4, 7.6), (32, 21.0, 7.6))),
    (1.27, 0.5, 0.2, ((28, 18.4, 10.16), (32, 21.0, 10.16), (36, 23.5, 10.16), (40, 26.0, 10.16), (44, 28.6, 10.16))),
)
# (leads along, leads across, length, width)
_QFP = (
    (0.8, 1.6, 0.4, ((8, 8, 7, 7), (11, 11, 10, 10), (16, 16, 14, 14), (30, 30, 28, 28))),
    (0.8, 1.9, 0.4, ((24, 16, 20, 14), (32, 32, 28, 28))),
    (1.0, 1.9, 0.3, ((19, 13, 20, 14), (12, 12, 14, 14), (16, 16, 20, 20))),
    (0.65, 1.6, 0.4, ((13, 13, 10, 10), (14, 14, 10, 10), (20, 20, 14, 14), (28, 28, 20, 20), (40, 40, 28, 28))),
    (0.65, 1.9, 0.6, ((30, 20, 20, 14), (36, 36, 28, 28))),
    (0.5, 1.3, 0.4, ((12, 12, 7, 7), (16, 16, 10, 10), (20, 20, 12, 12), (25, 25, 14, 14), (36, 36, 20, 20))),
    (0.5, 1.3, 0.4, ((32, 32, 20, 20), (38, 26, 20, 14), (44, 44, 24, 24), (52, 52, 28, 28), (60, 60, 32, 32))),
)
_PLCC = (
    (1.27, 0.45, 0.5, ((5, 5, 8.97, 8.97), (7, 7, 11.5, 11.5), (9, 7, 13.97, 11.43), (11, 11, 16.6, 16.6))),
    (1.27, 0.45, 0.5, ((13, 13, 19.1, 19.1), (17, 17, 24.2, 24.2), (21, 21, 29.3, 29.3))),
)
_TWO_ROWS = (("DIP", _DIP), ("SOIC", _SOIC), ("SOP", _SOP), ("SSOP", _SSOP), ("TSOP", _TSOP), ("SOJ", _SOJ))
_FOUR_ROWS = (("QFP", _QFP), ("PLCC", _PLCC))


@cache
def kinds() -> tuple[Kind, ...]:
    """Return every package that can be named."""
    return tuple(_kinds())


def _kinds() -> Iterator[Kind]:
    for family, groups in _TWO_ROWS:
        for pitch, reach, common, sizes in groups:
            for leads, length, width in sizes:
                name = f"{family}-{leads}" + (" wide" if (family, leads, width) == ("SOIC", 16, 7.5) else "")
                yield Kind(family, name, leads // 2, 0, length / pitch, width / pitch, reach / pitch, common)
    for family, fours in _FOUR_ROWS:
        for pitch, reach, common, places in fours:
            for along, across, length, width in places:
                name = f"{family}-{2 * (along + across)}"
                yield Kind(family, name, along, across, length / pitch, width / pitch, reach / pitch, common)
