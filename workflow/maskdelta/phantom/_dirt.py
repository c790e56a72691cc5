"""What lies on a die that is not part of it: particles, scratches, wires, breakage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Box = tuple[float, float, float, float]
_SHIFT = 4


@dataclass(frozen=True)
class Object:
    """One opaque or half-opaque thing, given as polygons in die um.

    Attributes
    ----------
    kind
        ``debris``, ``scratch``, ``wire``, ``ball`` or ``break``.
    polygons
        Outlines, each (n, 2) float64 um.
    opacity
        0..1 in the middle.
    colour
        Linear RGB relative to white.
    soft_um
        Blur of the outline, um; large for things above the plane of focus.
    rim
        How much darker the outline is than the middle, 0..1.
    """

    kind: str
    polygons: tuple[NDArray[np.float64], ...]
    opacity: float
    colour: tuple[float, float, float]
    soft_um: float
    rim: float = 0.0

    def box_um(self) -> Box:
        """Return the bounding box with its soft border."""
        points = np.concatenate(self.polygons)
        pad = 4 * self.soft_um + 2
        x0, y0 = points.min(axis=0) - pad
        x1, y1 = points.max(axis=0) + pad
        return float(x0), float(y0), float(x1), float(y1)


@dataclass(frozen=True)
class Dirt:
    """All that lies on one die; later things lie on top."""

    objects: tuple[Object, ...] = ()

    def draw(self, image: NDArray[np.float32], box_um: Box, um_per_px: float) -> None:
        """Blend the dirt into an (H, W, 3) float32 linear image of `box_um`, in place."""
        for thing in self._near(box_um):
            alpha, window = _alpha(thing, box_um, um_per_px, image.shape[:2])
            if not alpha.size:
                continue
            part = image[window]
            edge = 4 * alpha * (1 - alpha) if thing.rim else None
            part *= (1 - thing.opacity * alpha)[..., None]
            part += (thing.opacity * alpha)[..., None] * np.array(thing.colour, dtype=np.float32)
            if edge is not None:
                part *= (1 - thing.rim * edge)[..., None]

    def spoiled(self, box_um: Box, um_per_px: float, *, least: float = 0.2) -> NDArray[np.uint8]:
        """Return (H, W) uint8: 1 where dirt hides more than `least` of the light."""
        x0, y0, x1, y1 = box_um
        shape = (round((y1 - y0) / um_per_px), round((x1 - x0) / um_per_px))
        result = np.zeros(shape, dtype=np.uint8)
        for thing in self._near(box_um):
            alpha, window = _alpha(thing, box_um, um_per_px, shape)
            if alpha.size:
                hidden = alpha * thing.opacity
                if thing.rim:
                    hidden = np.maximum(hidden, thing.rim * 4 * alpha * (1 - alpha))
                result[window] |= (hidden > least).astype(np.uint8)
        return result

    def _near(self, box_um: Box) -> list[Object]:
        x0, y0, x1, y1 = box_um
        found = []
        for thing in self.objects:
            a, b, c, d = thing.box_um()
            if a < x1 and c > x0 and b < y1 and d > y0:
                found.append(thing)
        return found


def _alpha(
    thing: Object, box_um: Box, um_per_px: float, shape: tuple[int, int]
) -> tuple[NDArray[np.float32], tuple[slice, slice]]:
    """Return how much of the light a thing takes, and the window of the image it lies in."""
    x0, y0 = box_um[:2]
    a, b, c, d = thing.box_um()
    # The window is larger than the image where the thing is, so that blur knows no border.
    pad = int(4 * thing.soft_um / um_per_px) + 3
    left, top = int((a - x0) / um_per_px) - 1, int((b - y0) / um_per_px) - 1
    right, bottom = int((c - x0) / um_per_px) + 2, int((d - y0) / um_per_px) + 2
    left, top = max(left, -pad), max(top, -pad)
    right, bottom = min(right, shape[1] + pad), min(bottom, shape[0] + pad)
    if right <= left or bottom <= top:
        return np.zeros((0, 0), dtype=np.float32), (slice(0), slice(0))
    canvas = np.zeros((bottom - top, right - left), dtype=np.uint8)
    offset = np.array([x0 + left * um_per_px, y0 + top * um_per_px])
    for polygon in thing.polygons:
        points = (polygon - offset) / um_per_px - 0.5
        fixed = np.round(points * (1 << _SHIFT)).astype(np.int32)
        cv2.fillPoly(canvas, [fixed], 255, lineType=cv2.LINE_AA, shift=_SHIFT)
    sigma = max(0.6, thing.soft_um / um_per_px)
    soft = cv2.GaussianBlur(canvas.astype(np.float32) / 255, (0, 0), sigma)
    inner = (slice(max(0, -top), shape[0] - top), slice(max(0, -left), shape[1] - left))
    window = (slice(max(0, top), bottom), slice(max(0, left), right))
    return soft[inner], window


def make_dirt(
    size_um: tuple[float, float],
    *,
    debris_per_mm2: float,
    debris_um: float,
    scratches: int,
    wires: int,
    broken_corner_um: float,
    pads_um: Sequence[Box],
    rng: np.random.Generator,
) -> Dirt:
    """Scatter dirt over a die of the given size (um)."""
    width, height = size_um
    objects: list[Object] = []
    for _ in range(rng.poisson(debris_per_mm2 * width * height * 1e-6)):
        centre = rng.uniform((0, 0), (width, height))
        size = debris_um * float(np.clip(rng.lognormal(0, 0.6), 0.25, 5))
        objects.append(_particle(centre, size, rng))
    objects += [_scratch(width, height, rng) for _ in range(scratches)]
    for index in rng.permutation(len(pads_um))[:wires]:
        objects += _bond(pads_um[int(index)], width, height, rng)
    if broken_corner_um > 0:
        objects += _broken_corner(width, height, broken_corner_um, rng)
    return Dirt(tuple(objects))


def _particle(centre: NDArray[np.float64], size_um: float, rng: np.random.Generator) -> Object:
    """Return a speck: a lumpy outline, dark, at times with a bright middle."""
    angles = np.linspace(0, 2 * np.pi, 28, endpoint=False)
    radius = np.full(28, size_um)
    for order in range(2, 6):
        phase, depth = rng.uniform(0, 2 * np.pi), rng.uniform(0, 0.5) / order
        radius *= 1 + depth * np.cos(order * angles + phase)
    stretch, turn = rng.uniform(0.5, 1.0), rng.uniform(0, np.pi)
    x, y = radius * np.cos(angles), radius * stretch * np.sin(angles)
    points = np.stack([x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn)], 1)
    clear = rng.random() < 0.3
    shade = float(rng.uniform(0.2, 0.45) if clear else rng.uniform(0.02, 0.12))
    return Object(
        "debris",
        (points + centre,),
        float(rng.uniform(0.35, 0.6) if clear else rng.uniform(0.75, 0.97)),
        (shade, shade * 0.8, shade * 0.55),
        float(rng.uniform(0.4, 1.5)),
        0.75 if clear else 0.3,
    )


def _scratch(width: float, height: float, rng: np.random.Generator) -> Object:
    """Return a long thin line, slightly bent, bright or dark."""
    length = rng.uniform(0.12, 0.35) * min(width, height)
    angle, bend = rng.uniform(0, np.pi), rng.uniform(-0.25, 0.25)
    t = np.linspace(-0.5, 0.5, 40)
    along = np.stack([t * length, bend * length * (t**2 - 0.25)], axis=1)
    along[:, 1] += np.cumsum(rng.normal(0, 0.35, 40))
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    centre = rng.uniform((0.15 * width, 0.15 * height), (0.85 * width, 0.85 * height))
    line = along @ turn.T + centre
    half = rng.uniform(0.6, 1.4) * (1 - (2 * t) ** 4)[:, None] + 0.2
    step = np.gradient(line, axis=0)
    normal = np.stack([-step[:, 1], step[:, 0]], axis=1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    outline = np.concatenate([line + normal * half, (line - normal * half)[::-1]])
    tone = float(rng.choice([0.06, 0.75]))
    colour = (tone, tone * 0.9, tone * 0.75)
    return Object("scratch", (outline,), float(rng.uniform(0.6, 0.9)), colour, 0.4)


def _bond(pad_um: Box, width: float, height: float, rng: np.random.Generator) -> list[Object]:
    """Return a ball on a pad and the wire that leaves it for the border."""
    centre = np.array([(pad_um[0] + pad_um[2]) / 2, (pad_um[1] + pad_um[3]) / 2])
    centre += rng.normal(0, 4, 2)
    angles = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    ball = centre + 30 * np.stack([np.cos(angles), np.sin(angles)], axis=1)
    away = centre - (width / 2, height / 2)
    # The nearest border decides where the wire goes.
    to_border = [centre[0], width - centre[0], centre[1], height - centre[1]]
    out = np.array([(-1, 0), (1, 0), (0, -1), (0, 1)][int(np.argmin(to_border))], dtype=float)
    out += 0.3 * away / np.linalg.norm(away)
    out /= np.linalg.norm(out)
    side = np.array([-out[1], out[0]])
    far = centre + out * 900
    wire = np.array([centre + side * 13, far + side * 13, far - side * 13, centre - side * 13])
    shine = np.array([centre + side * 3, far + side * 3, far - side * 3, centre - side * 3])
    return [
        Object("ball", (ball,), 0.95, (0.16, 0.12, 0.07), 2.5, 0.4),
        Object("wire", (wire,), 0.97, (0.10, 0.07, 0.04), 4.0, 0.4),
        Object("wire", (shine,), 0.8, (0.75, 0.6, 0.35), 2.5),
    ]


def _broken_corner(
    width: float, height: float, size_um: float, rng: np.random.Generator
) -> list[Object]:
    """Return a corner that is gone: what lies below, and the face of the ragged fracture."""
    corner = np.array([rng.integers(2) * width, rng.integers(2) * height])
    inwards = np.where(corner > 0, -1.0, 1.0)
    a = corner + (inwards[0] * size_um * rng.uniform(0.7, 1.0), 0)
    b = corner + (0, inwards[1] * size_um * rng.uniform(0.7, 1.0))
    line, normal = _ragged(a, b, size_um, rng)
    if np.dot(normal, corner - (a + b) / 2) < 0:
        normal = -normal
    beyond = corner - inwards * 400
    outline = np.concatenate([[[a[0], beyond[1]]], line, [[beyond[0], b[1]], beyond]])
    depth = rng.uniform(4, 14, 60)[:, None]
    face = np.concatenate([line, (line + normal * depth)[::-1]])
    return [
        Object("break", (outline,), 1.0, (0.012, 0.011, 0.009), 0.8),
        Object("break", (face,), 0.9, (0.10, 0.095, 0.085), 1.5, 0.3),
    ]


def _ragged(
    a: NDArray[np.float64], b: NDArray[np.float64], size_um: float, rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return a ragged line of 60 points from a to b, and the normal of the straight one."""
    line = a + (b - a) * np.linspace(0, 1, 60)[:, None]
    ragged = np.cumsum(rng.normal(0, size_um * 0.012, 60))
    ragged -= np.linspace(ragged[0], ragged[-1], 60)
    normal = np.array([-(b - a)[1], (b - a)[0]]) / np.linalg.norm(b - a)
    return line + ragged[:, None] * normal, normal
