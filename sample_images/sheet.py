"""A printed inspection card on the bench: the program's own page, made into a picture and laid on the ground."""

import io
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
from PIL import Image

from sample_images.camera import Array, single
from sample_images.grounds import Ground, noise
from tracker.desk.card import pages_of, sheet_of
from tracker.dossier.card import PAPERS, png
from vision.card_layout import Layout, layout

PAPER, INK = 0.82, 0.035
"""Reflectance of bare paper and of solid black toner (common practice, no source)."""


@dataclass(frozen=True)
class CardSheet:
    """One page of a lot's card, the middle of its printed field at `place` mm, turned by `angle` degrees clockwise."""

    lot: str
    part: str
    pieces: int
    kind: str
    page: int = 1
    place: tuple[float, float] = (0.0, 0.0)
    angle: float = 0.0
    paper: str = "a4"
    dpi: float = 400.0

    @property
    def layout(self) -> Layout:
        """Where things are printed."""
        return layout(self.kind)

    @cached_property
    def picture(self) -> Array:
        """The page in grey, 0 to 255."""
        pages = pages_of(self.lot, self.part, self.pieces, self.layout)
        made = png(sheet_of(self.lot, self.layout), pages, paper=self.paper, dpi=self.dpi)
        return np.asarray(Image.open(io.BytesIO(made[self.page - 1])).convert("L"))

    def on_bench(self, points: Array) -> Array:
        """Return bench mm (n, 2) of points (n, 2) in the card's own mm."""
        plan = self.layout
        angle = np.radians(self.angle)
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        return np.asarray((points - np.array([plan.width, plan.height]) / 2) @ turn + np.array(self.place))

    def cell(self, number: int) -> tuple[float, float]:
        """Return the middle of a cell of this page in bench mm."""
        middle = self.layout.cells[(number - 1) % len(self.layout.cells)].centre
        x, y = self.on_bench(np.array([middle]))[0]
        return float(x), float(y)

    def _page_corners(self) -> Array:
        plan = self.layout
        width, height = PAPERS[self.paper]
        left = (width - plan.width) / 2
        top = (height - max(plan.height, plan.notes.y + plan.notes.height)) / 2
        return np.array([[-left, -top], [width - left, -top], [width - left, height - top], [-left, height - top]])


def lay(ground: Ground, sheet: CardSheet, low: Array, res: float, rng: np.random.Generator) -> Ground:
    """Return a ground with the sheet on it; `low` is its upper left corner in bench mm, `res` its pixels a mm."""
    rows, columns = ground.height.shape
    page = sheet.picture
    corners = ((sheet.on_bench(sheet._page_corners()) - low) * res - 0.5).astype(np.float32)
    frame = np.array([[0, 0], [page.shape[1], 0], [page.shape[1], page.shape[0]], [0, page.shape[0]]], np.float32) - 0.5
    turn = cv2.getPerspectiveTransform(frame, corners)
    code = page.astype(np.float32) / 255
    light = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)  # IEC 61966-2-1
    # The page is finer than the ground: soften it to the ground's pixels before it is sampled there.
    finer = sheet.dpi / 25.4 / res
    light = cv2.GaussianBlur(single(light), (0, 0), max(0.3, 0.4 * finer))
    printed = cv2.warpPerspective(light, turn, (columns, rows), flags=cv2.INTER_LINEAR)
    cover = cv2.warpPerspective(np.ones(page.shape, np.float32), turn, (columns, rows), flags=cv2.INTER_LINEAR)
    fibre = noise((rows, columns), 0.1 * res, 0.07 * res, rng)
    tone = (INK + (PAPER - INK) * printed) * (1 + 0.01 * fibre)
    albedo = ground.albedo + cover[..., None] * (tone[..., None] - ground.albedo)
    height = ground.height + cover * (0.003 * fibre - ground.height)
    return Ground(albedo, height, ground.exponent, ground.f0)
