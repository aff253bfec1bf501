"""What is compared between pieces: each quantity's code, its words, what genuine pieces differ by, what would show."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Quantity:
    """One compared quantity.

    Parameters
    ----------
    code, family : str
        Of the observation.
    subject : str
        How its sentence begins, e.g. 'The characters are'.
    more, less : str
        What a positive and a negative difference is called.
    unit : str
    logarithmic : bool
        Differences are ratios.
    allowance : float
        Standard deviation among genuine pieces in one photo, logarithm or unit.
    elsewhere : float
        The same between photos, or between lots.
    telling : float
        The smallest difference worth having looked for, logarithm or unit; a comparison that would not have shown it
        does not count as looking.
    """

    code: str
    family: str
    subject: str
    more: str
    less: str
    unit: str
    logarithmic: bool
    allowance: float
    elsewhere: float
    telling: float


# Allowances: common practice, no source. In one photo they hold the outline's error (1 to 2 % of the body), the tilt
# that is left after rectifying, ink spread; between photos also another tilt, focus and light (laser marks may even
# turn from brighter to darker than their ground). Telling differences: from memory of re-marked pieces.
# fmt: off
HEIGHT = Quantity("lettering-height-differs", "lettering", "The characters are", "taller", "shorter",
                  "body", True, 0.028, 0.035, 0.25)
WIDTH = Quantity("lettering-width-differs", "lettering", "For their height the characters are", "wider", "narrower",
                 "ratio", True, 0.025, 0.03, 0.25)
SPACING = Quantity("lettering-spacing-differs", "lettering", "For their height the characters stand",
                   "further apart", "closer together", "ratio", True, 0.02, 0.03, 0.2)
STROKE = Quantity("lettering-stroke-differs", "lettering", "For their height the strokes are", "thicker", "thinner",
                  "ratio", True, 0.04, 0.12, 0.5)
PITCH = Quantity("lettering-pitch-differs", "lettering", "For the height of the characters the lines stand",
                 "further apart", "closer together", "ratio", True, 0.03, 0.035, 0.25)
SLANT = Quantity("lettering-slant-differs", "lettering", "The characters lean", "more to the right", "more to the left",
                 "deg", False, 2.0, 2.5, 12.0)
ANGLE = Quantity("lettering-angle-differs", "lettering", "The lines of print are turned", "more clockwise",
                 "more anticlockwise", "deg", False, 0.9, 1.2, 6.0)
LEFT = Quantity("lettering-position-differs", "lettering", "The marking begins", "further right", "further left",
                "body", False, 0.03, 0.05, 0.2)
DOWN = Quantity("lettering-position-differs", "lettering", "The marking stands", "lower", "higher",
                "body", False, 0.025, 0.04, 0.2)
CONTRAST = Quantity("lettering-contrast-differs", "lettering", "The marking stands out from the body", "more", "less",
                    "1", False, 0.10, 0.30, 0.5)
ROUGHNESS = Quantity("surface-differs", "surface", "The top is", "rougher", "smoother", "ratio", True, 0.12, 0.30, 1.0)
COHERENCE = Quantity("surface-sanded", "surface", "", "", "", "ratio", False, 0.05, 0.08, 0.35)
SCRATCHES = Quantity("surface-sanded", "surface", "", "", "", "ratio", False, 0.05, 0.08, 0.5)
GLOSS = Quantity("surface-differs", "surface", "The top is", "shinier", "duller", "1", False, 0.15, 0.40, 1.0)
SHAPE = Quantity("lettering-shape-differs", "lettering", "The characters are shaped", "", "", "ratio", False,
                 0.017, 0.03, 0.12)
STEPS = Quantity("lettering-shape-differs", "lettering", "The characters stand at other distances", "", "", "ratio",
                 False, 0.0028, 0.006, 0.02)
LENGTH = Quantity("lettering-size-differs", "lettering", "For the length of the body the line of print is", "longer",
                  "shorter", "ratio", True, 0.011, 0.025, 0.1)
ACROSS = Quantity("lettering-position-differs", "lettering", "The marking stands", "further right", "further left",
                  "body", False, 0.018, 0.04, 0.2)
BELOW = Quantity("lettering-position-differs", "lettering", "The marking stands", "lower", "higher",
                 "body", False, 0.012, 0.035, 0.2)
BETWEEN = Quantity("surface-old-mark", "surface", "", "", "", "body", False, 0.006, 0.01, 0.06)
GRAIN = Quantity("surface-differs", "surface", "The fine grain of the top is", "stronger", "weaker",
                 "ratio", True, 0.067, 0.30, 0.6)
LINED = Quantity("surface-sanded", "surface", "", "", "", "ratio", False, 0.062, 0.15, 0.6)
ASPECT = Quantity("body-size-differs", "body", "For its width the body is", "longer", "shorter",
                  "ratio", True, 0.09, 0.10, 0.5)
SIZE = Quantity("body-size-differs", "body", "The body is", "wider", "narrower", "mm", True, 0.02, 0.02, 0.12)
# fmt: on
