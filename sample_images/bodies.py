"""Puts one chip into the picture: its shadow, leads, sides, notch and top, farthest first."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from sample_images.camera import Array, Canvas, Light, dot, matt, metal, normals_of, unit, vec
from sample_images.grounds import noise
from sample_images.parts import Package, Piece, corners, outline, top_of

UP = vec(0.0, 0.0, 1.0)


@dataclass(frozen=True)
class Pose:
    """Where a piece's own axes lie: `base` is the height of its underside over the bench."""

    piece: Piece
    base: float

    @property
    def top(self) -> float:
        """Height of the face that is seen."""
        return self.base + self.piece.package.height

    @property
    def middle(self) -> float:
        """Height of the line where the mould parts and the leads come out."""
        return self.base + 0.52 * self.piece.package.height

    def turned(self, points: Array) -> Array:
        """Turn vectors (..., 2) or (..., 3) of the piece's own axes into the bench's."""
        angle = np.radians(self.piece.angle)
        cosine, sine = np.float32(np.cos(angle)), np.float32(np.sin(angle))
        x = points[..., 0] * cosine - points[..., 1] * sine
        y = points[..., 0] * sine + points[..., 1] * cosine
        return np.stack([x, y, *np.moveaxis(points[..., 2:], -1, 0)], axis=-1).astype(np.float32)

    def lifted(self, flat: Array, z: float) -> Array:
        """Return bench coordinates (n, 3) of points (n, 2) of the piece at height `z`."""
        place = self.turned(flat) + vec(*self.piece.place)
        return np.concatenate([place, np.full((*place.shape[:-1], 1), z, np.float32)], axis=-1)


def pose_of(piece: Piece) -> Pose:
    """Stand a piece on its leads, push it into foam, or lay it on its back."""
    package = piece.package
    if piece.upside_down:
        return Pose(piece, 0.0)
    if package.legs == "dip":
        return Pose(piece, 0.5 if piece.seated else 3.3)
    return Pose(piece, 0.12 if package.legs == "gull" else 0.6)


def outline_in_picture(canvas_camera_project: Canvas, piece: Piece) -> Array:
    """Return the four corners (4, 2) of the flat top in final-picture pixels."""
    pose = pose_of(piece)
    return canvas_camera_project.camera.project(pose.lifted(corners(piece.package), pose.top))


def _profile(pose: Pose) -> list[tuple[float, float, float]]:
    """Return a lead's way as (outwards, height, width), from the body to its tip."""
    package, out = pose.piece.package, pose.piece.package.reach
    zm, wide, thin = pose.middle, pose.piece.package.shoulder, pose.piece.package.lead
    if package.legs == "dip":
        bend = [(out - 0.75 + 0.75 * np.sin(a), zm - 0.75 * (1 - np.cos(a)), wide) for a in np.linspace(0, 1.45, 7)]
        seat = pose.base + 0.35
        seat = max(seat, zm - 2.6)
        way = [(0.0, zm, wide), *bend, (out + 0.08, seat, wide), (out + 0.1, seat - 0.15, thin)]
        way.append((out + 0.12, min(0.0, seat - 0.3) if pose.piece.seated else 0.0, thin))
        if pose.piece.upside_down:
            way[-1] = (out + 0.22, zm - 5.6, thin)
            return [(o, 2 * zm - z, w) for o, z, w in way]
        return way
    if package.legs == "j":
        bend = [(out - 0.3 + 0.3 * np.sin(a), zm - 0.3 * (1 - np.cos(a)), wide) for a in np.linspace(0, 1.5, 5)]
        return [(0.0, zm, wide), *bend, (out, 0.9, wide), (out - 0.05, 0.5, thin), (out - 0.3, 0.15, thin)]
    knee, foot = 0.3 * out, 0.52 * out
    drop = [(knee + (foot - knee) * s, zm - (zm - 0.12) * (3 * s * s - 2 * s**3), thin) for s in np.linspace(0, 1, 7)]
    return [(0.0, zm, wide), (knee * 0.7, zm, wide), *drop, (out, 0.1, thin), (out + 0.04, 0.0, thin)]


def _rows(package: Package) -> Iterator[tuple[Array, Array, int]]:
    """Yield, for each row of leads, the outward and the along direction and how many leads it has."""
    each = package.pins // package.sides
    yield vec(0, 1), vec(1, 0), each
    yield vec(0, -1), vec(1, 0), each
    if package.sides == 4:
        yield vec(1, 0), vec(0, 1), each
        yield vec(-1, 0), vec(0, 1), each


def _lead_strips(pose: Pose, outward: Array, along: Array, at: float, tilt: float) -> Iterator[tuple[Array, Array]]:
    """Yield the corners (4, 3) and outer normal of each flat strip of one lead."""
    package = pose.piece.package
    edge = (package.width if abs(float(outward[1])) > 0.5 else package.length) / 2 - 0.02
    way = _profile(pose)
    for (o1, z1, w1), (o2, z2, w2) in pairwise(way):
        spot = at + tilt * 0.5 * (o1 + o2)
        ends = [(o1, spot - w1 / 2), (o1, spot + w1 / 2), (o2, spot + w2 / 2), (o2, spot - w2 / 2)]
        flat = np.stack([outward * (edge + o) + along * a for o, a in ends])
        quad = pose.lifted(flat, 0.0)
        quad[:, 2] = (z1, z1, z2, z2)
        lie = vec(*(outward * np.float32(z1 - z2)), o2 - o1)
        if pose.piece.upside_down:
            lie = vec(*(outward * np.float32(abs(z2 - z1))), o2 - o1)
        yield quad, unit(pose.turned(lie) + vec(0, 0, 1e-6))


def _draw_leads(
    canvas: Canvas, light: Light, pose: Pose, row: tuple[Array, Array, int], rng: np.random.Generator, near: bool
) -> None:
    outward, along, count = row
    package = pose.piece.package
    for number in range(count):
        at = (number - (count - 1) / 2) * package.pitch
        tilt, lean = rng.normal(0, 0.02, 2)
        tarnish = float(np.clip(rng.normal(0.95, 0.05), 0.75, 1.05))
        strips = list(_lead_strips(pose, outward, along, at, float(tilt)))
        end = package.shoulder * 0.5
        room = (package.length if abs(float(outward[1])) > 0.5 else package.width) / 2 - package.draft
        if abs(at) + end > room and package.legs == "dip":  # the outer leads of a DIP are half as wide at the shoulder
            for quad, _ in strips:
                inner = at - np.sign(at) * end
                beyond = np.sign(at) * package.lead / 2
                _clip_along(quad, pose, along, inner, at + beyond)
        for quad, normal in strips if near else reversed(strips):
            middle = quad.mean(axis=0)
            if float(dot(normal, canvas.eye - middle)) <= 0:
                if not pose.piece.upside_down:
                    continue
                normal = -normal  # leads that point up show their inner side, too
            grain = rng.normal(0, 0.05, (5, 5, 3)).astype(np.float32)
            # Stamped leads are slightly round across, and the vertical part sees little of the room.
            round_off = np.linspace(-0.3, 0.3, 5, dtype=np.float32)[None, :, None] ** 3 * 9 + np.float32(lean)
            normals = unit(normal + grain + pose.turned(vec(*along, 0)) * round_off)
            corner = quad.reshape(2, 2, 3)[[0, 0, 1, 1, 1]][:, [0, 0, 1, 1, 1]]
            depth = np.clip(0.62 + 0.38 * middle[2] / max(pose.middle, 0.1), 0.4, 1)
            depth = depth * (0.6 + 0.4 * max(0.0, float(normal[2])))
            texture = metal(np.ascontiguousarray(corner), normals, light, canvas.eye) * np.float32(tarnish * depth)
            canvas.quad(quad, texture)


def _clip_along(quad: Array, pose: Pose, along: Array, low: float, high: float) -> None:
    """Limit a strip, in place, to between two places along its row."""
    direction = pose.turned(vec(*along, 0))
    origin = vec(*pose.piece.place, 0)
    place = (quad - origin) @ direction
    limited = np.clip(place, min(low, high), max(low, high))
    quad += (limited - place)[:, None] * direction


def _draw_side(canvas: Canvas, light: Light, pose: Pose, upper: Array, lower: Array, rng: np.random.Generator) -> None:
    """Draw one flat side between its upper and lower edges (2, 3), if it faces the camera."""
    across, down = upper[1] - upper[0], lower[0] - upper[0]
    normal = unit(np.cross(across, down).astype(np.float32))
    centre = (upper.mean(axis=0) + lower.mean(axis=0)) / 2
    if float(dot(normal, centre - vec(*pose.piece.place, float(centre[2])))) < 0:
        normal = -normal
    if float(dot(normal, canvas.eye - centre)) <= 0:
        return
    res = 14.0
    shape = (max(4, round(float(np.linalg.norm(down)) * res)), max(4, round(float(np.linalg.norm(across)) * res)))
    s, t = np.meshgrid(np.linspace(0, 1, shape[1], dtype=np.float32), np.linspace(0, 1, shape[0], dtype=np.float32))
    points = upper[0] + s[..., None] * across + t[..., None] * down
    grain = 0.003 * noise(shape, 1.0, 1.0, rng)
    normals = normals_of(grain, res, unit(across), unit(down), normal)
    albedo = np.broadcast_to(vec(*pose.piece.tone), (*shape, 3))
    open_sky = 0.8 - 0.5 * t
    texture = matt(points, normals, albedo, light, canvas.eye, exponent=9.0, f0=0.04, open_sky=open_sky)
    cover = np.ones(shape, np.float32)
    package = pose.piece.package
    if package.notch and abs(float(np.linalg.norm(across)) - package.width) < 1.0 and centre[2] > pose.middle:
        left = pose.lifted(corners(package)[[0, 3]], 0.0)[:, :2].mean(axis=0)
        if float(np.linalg.norm(centre[:2] - left)) < package.width / 4:
            cover[np.abs(s - 0.5) * package.width < package.notch] = 0
    canvas.quad(np.stack([upper[0], upper[1], lower[1], lower[0]]), texture, cover)


def _draw_sides(canvas: Canvas, light: Light, pose: Pose, rng: np.random.Generator) -> None:
    package = pose.piece.package
    levels = [
        pose.lifted(outline(package, package.draft), pose.top),
        pose.lifted(outline(package, 0.0), pose.middle),
        pose.lifted(outline(package, package.draft), pose.base),
    ]
    for upper, lower in ((levels[1], levels[2]), (levels[0], levels[1])):
        for first in range(len(upper)):
            pick = [first, (first + 1) % len(upper)]
            _draw_side(canvas, light, pose, upper[pick], lower[pick], rng)


def _draw_notch(canvas: Canvas, light: Light, pose: Pose) -> None:
    """Draw the floor and the round wall of a DIP's notch; the top and the side leave it open."""
    package = pose.piece.package
    depth = min(1.25, 0.4 * package.height)
    left = -package.length / 2
    floor = np.array([(0, -1), (1, -1), (1, 1), (0, 1)], np.float32) * (package.notch + 0.3) + vec(left, 0)
    tone = np.broadcast_to(vec(*pose.piece.tone), (2, 2, 3))
    corner = pose.lifted(floor, pose.top - depth)
    colour = matt(corner[[0, 1, 3, 2]].reshape(2, 2, 3), np.broadcast_to(UP, (2, 2, 3)), tone, light, canvas.eye)
    canvas.quad(corner, np.ascontiguousarray(colour * np.float32(0.5)))
    angles = np.linspace(-np.pi / 2, np.pi / 2, 19, dtype=np.float32)
    start = vec(left + package.draft, 0)
    for a, b in pairwise(angles):
        flat = np.array([(np.cos(a), np.sin(a)), (np.cos(b), np.sin(b))], np.float32) * package.notch + start
        upper, lower = pose.lifted(flat, pose.top), pose.lifted(flat, pose.top - depth)
        inward = pose.turned(vec(-np.cos((a + b) / 2), -np.sin((a + b) / 2), 0.25))
        points = np.stack([upper, lower])
        if float(dot(inward, canvas.eye - points.mean(axis=(0, 1)))) <= 0:
            continue
        shade = matt(points, np.broadcast_to(unit(inward), (2, 2, 3)), tone, light, canvas.eye, open_sky=0.55)
        canvas.quad(np.stack([upper[0], upper[1], lower[1], lower[0]]), np.ascontiguousarray(shade))


def _draw_top(canvas: Canvas, light: Light, pose: Pose, rng: np.random.Generator) -> None:
    camera = canvas.camera
    res = camera.size[0] / camera.field * 1.5 * camera.distance() / (camera.distance() - pose.top)
    surface = top_of(pose.piece, res, rng)
    rows, columns = surface.height.shape
    corner = pose.lifted(corners(pose.piece.package), pose.top)
    s, t = np.meshgrid(
        (np.arange(columns, dtype=np.float32) + 0.5) / columns, (np.arange(rows, dtype=np.float32) + 0.5) / rows
    )
    points = corner[0] + s[..., None] * (corner[1] - corner[0]) + t[..., None] * (corner[3] - corner[0])
    right, down = unit(corner[1] - corner[0]), unit(corner[3] - corner[0])
    normals = normals_of(surface.height, res, right, down, UP)
    hollow = np.clip(1 + 6 * (surface.height - cv2.GaussianBlur(surface.height, (0, 0), 0.35 * res)), 0.45, 1)
    texture = matt(
        points, normals, surface.albedo, light, canvas.eye, exponent=surface.exponent, f0=surface.f0, open_sky=hollow
    )
    canvas.quad(corner, texture, surface.cover)


def draw(canvas: Canvas, light: Light, piece: Piece, rng: np.random.Generator) -> None:
    """Paint one chip. The leads on sides turned away from the camera are painted before the body."""
    pose = pose_of(piece)
    place = vec(*piece.place)
    rows = list(_rows(piece.package))
    near = []
    for row in rows:
        facing = float(dot(pose.turned(row[0]), canvas.eye[:2] - place))
        half = piece.package.width / 2 if abs(float(row[0][1])) > 0.5 else piece.package.length / 2
        near.append(facing > half)
    back_first = [row for row, is_near in zip(rows, near, strict=True) if not is_near]
    if not piece.upside_down:
        for row in back_first:
            _draw_leads(canvas, light, pose, row, rng, near=False)
    _draw_sides(canvas, light, pose, rng)
    if piece.package.notch:
        _draw_notch(canvas, light, pose)
    _draw_top(canvas, light, pose, rng)
    for row in rows if piece.upside_down else [r for r, is_near in zip(rows, near, strict=True) if is_near]:
        _draw_leads(canvas, light, pose, row, rng, near=True)


def silhouettes(piece: Piece) -> list[Array]:
    """Return outlines (n, 3) whose shadows make up the piece's shadow."""
    pose = pose_of(piece)
    package = piece.package
    body = np.concatenate(
        [
            pose.lifted(outline(package, package.draft), pose.top),
            pose.lifted(outline(package, 0.0), pose.middle),
            pose.lifted(outline(package, package.draft), pose.base),
        ]
    )
    shapes = [body]
    for outward, along, count in _rows(package):
        for number in range(count):
            at = (number - (count - 1) / 2) * package.pitch
            shapes.extend(quad for quad, _ in _lead_strips(pose, outward, along, at, 0.0))
    return shapes


def footprint(piece: Piece) -> Array:
    """Return the body's outline (n, 3) on the bench, for the soft dark below it."""
    return pose_of(piece).lifted(outline(piece.package, -0.3), 0.0)
