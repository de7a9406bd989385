"""Still pictures of the maps, drawn here without a graphics card: the record that prints.

A plain z-buffer over the view mesh, orthographic: per pixel the triangle in front is found once,
then shaded from its interpolated values.  Drawn at twice the size and averaged down.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from worker.records import Bools, Floats, Ints
from worker.reporting.colors import CUT, deviation_colors, hatched, wall_colors
from worker.reporting.view import ViewMesh

Painter = Callable[["Visible"], Floats]
OVERSAMPLING = 2  # each shown pixel is the mean of 2 x 2
CANDIDATE_LIMIT = 500_000  # pixel-triangle pairs at a time: some 40 MB, near enough to the processor
MARGIN = 0.04  # of the part's size, on each side of a picture
SQUATTEST = 0.4  # a flat part still gets a picture this high for its width
EDGE_SLACK = 1e-6  # so that rounding leaves no pixel between two triangles undrawn
PAPER = 255.0


@dataclass(frozen=True, eq=False)
class Camera:
    """Where an orthographic picture is taken from.

    toward_eye : (3,) unit, from the part to the eye;  up : (3,) roughly up
    cut_normal, cut_mm : material with normal . p > cut_mm is taken away; None cuts nothing
    sees_backs : False only for a closed part that is not cut, where no back can show; twice as fast
    """

    toward_eye: Floats
    up: Floats
    cut_normal: Floats | None = None
    cut_mm: float = 0.0
    sees_backs: bool = True

    def axes(self) -> Floats:
        """(3, 3) rows: right, up, toward the eye."""
        away = self.toward_eye / np.linalg.norm(self.toward_eye)
        right = np.cross(self.up, away)
        right /= np.linalg.norm(right)
        return np.stack([right, np.cross(away, right), away])


@dataclass(frozen=True, eq=False)
class Frame:
    """Camera, picture size and scale together: nominal frame (mm) to pixels.

    origin : (2,) camera-plane coordinates (mm) of the top left corner
    """

    camera: Camera
    width: int
    height: int
    mm_per_pixel: float
    origin: Floats

    def project(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """(n, 2) pixel coordinates, y down, and (n,) depth toward the eye in mm."""
        turned = points_mm @ self.camera.axes().T
        flat = (turned[:, :2] - self.origin) * np.array([1.0, -1.0]) / self.mm_per_pixel
        return flat, turned[:, 2]


@dataclass(frozen=True, eq=False)
class Visible:
    """What each covered pixel shows: (k,) row, column, triangle, and the weights of corners one and two."""

    mesh: ViewMesh
    row: Ints
    column: Ints
    triangle: Ints
    one: Floats
    two: Floats
    depth_mm: Floats
    is_back: Bools

    @cached_property
    def corners(self) -> tuple[Ints, Ints, Ints]:
        """The vertices of each pixel's triangle."""
        a, b, c = (np.ascontiguousarray(column) for column in self.mesh.triangles.T)
        return a[self.triangle], b[self.triangle], c[self.triangle]

    def of(self, values: Floats) -> Floats:
        """Interpolate per-vertex ``values`` (v,) to the pixels, (k,)."""
        a, b, c = (values[corner] for corner in self.corners)
        return a + self.one * (b - a) + self.two * (c - a)


def frame_for(points_mm: Floats, camera: Camera, width: int, tallest: int) -> Frame:
    """Fit all of ``points_mm`` (n, 3) into a picture ``width`` pixels wide and at most ``tallest`` high."""
    flat = points_mm @ camera.axes()[:2].T
    low, high = flat.min(axis=0), flat.max(axis=0)
    span = np.maximum(high - low, 1e-6) * (1 + 2 * MARGIN)
    scale = float(max(span / np.array([width, tallest])))
    height = OVERSAMPLING * int(np.ceil(max(span[1] / scale, width * SQUATTEST) / OVERSAMPLING))
    origin = (low + high) / 2 + np.array([-width / 2, height / 2]) * scale
    return Frame(camera, width, height, scale, origin)


def visible(mesh: ViewMesh, frame: Frame) -> Visible:
    """Find the triangle in front at every pixel of ``frame``."""
    pixel, depth = frame.project(mesh.points_mm)
    sheets = _sheets(mesh, frame, pixel, depth)
    front = np.zeros(frame.width * frame.height, dtype=np.uint64)
    ends = np.cumsum(sheets.size[:, 0] * sheets.size[:, 1])
    start = 0
    while start < len(ends):
        done = int(ends[start - 1]) if start else 0
        stop = max(start + 1, int(np.searchsorted(ends, done + CANDIDATE_LIMIT, side="right")))
        _draw(front, frame, sheets, np.arange(start, stop))
        start = stop
    return _gather(front, frame, mesh, sheets)


@dataclass(frozen=True, eq=False)
class _Sheets:
    """Everything about triangles (n of them) that is linear in pixel column and row: value = a x + b y + c.

    first, second : (n, 3) the weights of corners 1 and 2;  depth : (n, 3) 0..1 toward the eye
    cut : (n, 3) how far beyond the cutting plane, mm
    number : (n,) which triangle of the mesh;  low, size : (n, 2) pixels touched, column and row
    """

    number: Ints
    low: Ints
    size: Ints
    first: Floats
    second: Floats
    depth: Floats
    cut: Floats | None
    is_back: Bools
    depth_span_mm: tuple[float, float]


def _sheets(mesh: ViewMesh, frame: Frame, pixel: Floats, depth_mm: Floats) -> _Sheets:
    camera = frame.camera
    a, b, c = (pixel[mesh.triangles[:, k]] for k in range(3))
    area = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    low = np.ceil(np.minimum(np.minimum(a, b), c) - 0.5).astype(np.int64)
    high = np.floor(np.maximum(np.maximum(a, b), c) - 0.5).astype(np.int64)
    low, high = np.maximum(low, 0), np.minimum(high, [frame.width - 1, frame.height - 1])
    is_drawn = (np.abs(area) if camera.sees_backs else -area) > 1e-9
    number = np.flatnonzero(is_drawn & (high >= low).all(axis=1))
    a, b, c, area = a[number], b[number], c[number], area[number, None]
    first = np.stack([c[:, 1] - a[:, 1], a[:, 0] - c[:, 0], a[:, 1] * c[:, 0] - a[:, 0] * c[:, 1]], axis=1) / area
    second = np.stack([a[:, 1] - b[:, 1], b[:, 0] - a[:, 0], a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]], axis=1) / area
    near, far = float(depth_mm.max()), float(depth_mm.min())
    depth = _linear((depth_mm - far) / max(near - far, 1e-9), mesh.triangles[number], first, second)
    is_back = area[:, 0] > 0  # rows run down, so what faces the eye turns clockwise
    cut = None
    if camera.cut_normal is not None:
        beyond = mesh.points_mm @ camera.cut_normal - camera.cut_mm
        cut = _linear(beyond, mesh.triangles[number], first, second)
    return _Sheets(number, low[number], (high - low + 1)[number], first, second, depth, cut, is_back, (far, near))


def _linear(value: Floats, corners: Ints, first: Floats, second: Floats) -> Floats:
    """(n, 3) coefficients of a per-vertex value over each triangle."""
    base, one, two = (value[corners[:, k]] for k in range(3))
    result = (one - base)[:, None] * first + (two - base)[:, None] * second
    result[:, 2] += base
    return np.asarray(result, dtype=np.float64)


def _at(plane: Floats, sheet: Ints, x: Floats, y: Floats) -> Floats:
    return np.asarray(plane[sheet, 0] * x + plane[sheet, 1] * y + plane[sheet, 2], dtype=np.float64)


def _draw(front: NDArray[np.uint64], frame: Frame, sheets: _Sheets, chosen: Ints) -> None:
    """Enter some triangles into the z-buffer: depth in the upper half, their number below."""
    size = sheets.size[chosen]
    count = size[:, 0] * size[:, 1]

    def spread(values: NDArray[Any]) -> NDArray[Any]:
        return np.repeat(values, count)

    def at(planes: Floats) -> Floats:
        a, b, c = planes[chosen].T
        return np.asarray(spread(a) * x + spread(b) * y + spread(c), dtype=np.float64)

    step = np.arange(int(count.sum())) - spread(np.cumsum(count) - count)
    row, column = np.divmod(step, spread(size[:, 0]))
    row += spread(sheets.low[chosen, 1])
    column += spread(sheets.low[chosen, 0])
    x, y = column + 0.5, row + 0.5
    one, two = at(sheets.first), at(sheets.second)
    inside = (one >= -EDGE_SLACK) & (two >= -EDGE_SLACK) & (one + two <= 1 + EDGE_SLACK)
    if sheets.cut is not None:
        inside &= at(sheets.cut) <= 0
    sheet, place = spread(chosen)[inside], (row * frame.width + column)[inside]
    depth = np.clip(_at(sheets.depth, sheet, x[inside], y[inside]), 0, 1)
    level = (depth * (2**32 - 2)).astype(np.uint64) + np.uint64(1)
    np.maximum.at(front, place, (level << np.uint64(32)) | sheet.astype(np.uint64))


def _gather(front: NDArray[np.uint64], frame: Frame, mesh: ViewMesh, sheets: _Sheets) -> Visible:
    covered = np.flatnonzero(front)
    sheet = (front[covered] & np.uint64(2**32 - 1)).astype(np.int64)
    row, column = covered // frame.width, covered % frame.width
    x, y = np.add(column, 0.5, dtype=np.float64), np.add(row, 0.5, dtype=np.float64)
    one, two = (_at(plane, sheet, x, y) for plane in (sheets.first, sheets.second))
    far, near = sheets.depth_span_mm
    depth = far + _at(sheets.depth, sheet, x, y) * (near - far)
    return Visible(mesh, row, column, sheets.number[sheet], one, two, depth, sheets.is_back[sheet])


def deviation_painter(tolerance_mm: float) -> Painter:
    """Colours of the deviation map."""

    def paint(seen: Visible) -> Floats:
        colors = deviation_colors(seen.of(seen.mesh.deviation_mm), tolerance_mm)
        return _with_gaps(colors, seen, seen.mesh.is_measured)

    return paint


def wall_painter(top_mm: float) -> Painter:
    """Colours of the wall map."""

    def paint(seen: Visible) -> Floats:
        return _with_gaps(wall_colors(seen.of(seen.mesh.wall_mm), top_mm), seen, seen.mesh.has_wall)

    return paint


def _with_gaps(colors: Floats, seen: Visible, is_known: Bools) -> Floats:
    known = seen.of(is_known.astype(np.float64)) > 0.5
    stripe = (seen.row + seen.column) // (4 * OVERSAMPLING) % 2 == 0
    return np.where(known[:, None], colors, hatched(stripe))


@dataclass(frozen=True, eq=False)
class Still:
    """A finished picture: pixels (h, w, 3) uint8, and what it takes to say where a point is in it."""

    pixels: NDArray[np.uint8]
    frame: Frame
    depth_mm: Floats

    @property
    def width(self) -> int:
        """Of the finished picture, pixels."""
        return int(self.pixels.shape[1])

    @property
    def height(self) -> int:
        """Of the finished picture, pixels."""
        return int(self.pixels.shape[0])

    def find(self, point_mm: Floats, slack_mm: float) -> tuple[float, float] | None:
        """Where a point (3,) of the surface shows in the picture; None if hidden, cut away or outside it."""
        pixel, depth = self.frame.project(point_mm[None])
        column, row = (int(v) for v in np.floor(pixel[0]))
        if not (0 <= column < self.frame.width and 0 <= row < self.frame.height):
            return None
        if abs(self.depth_mm[row, column] - depth[0]) > slack_mm:
            return None
        return float(pixel[0, 0] / OVERSAMPLING), float(pixel[0, 1] / OVERSAMPLING)


def picture(mesh: ViewMesh, frame: Frame, paint: Painter) -> Still:
    """Draw the mesh on white paper; the picture's size is the frame's divided by OVERSAMPLING."""
    seen = visible(mesh, frame)
    image = np.full((frame.height, frame.width, 3), PAPER)
    colors = paint(seen) * _shade(seen, frame)[:, None]
    colors[seen.is_back] = CUT
    image[seen.row, seen.column] = colors
    depth = np.full((frame.height, frame.width), -np.inf)
    depth[seen.row, seen.column] = np.where(seen.is_back, np.inf, seen.depth_mm)  # a cut face hides what is behind
    _draw_lines(image, seen, depth, 24 * frame.mm_per_pixel)
    small = image.reshape(frame.height // OVERSAMPLING, OVERSAMPLING, frame.width // OVERSAMPLING, OVERSAMPLING, 3)
    return Still(np.asarray(np.round(small.mean(axis=(1, 3))), dtype=np.uint8), frame, depth)


def _shade(seen: Visible, frame: Frame) -> Floats:
    """(k,) 0.74..1: light from over the eye's left shoulder, mild so that map colours stay readable."""
    light = np.array([-0.35, 0.5, 0.8]) / np.linalg.norm([-0.35, 0.5, 0.8])
    return seen.of(0.74 + 0.26 * np.clip(seen.mesh.normals @ (light @ frame.camera.axes()), 0, 1))


def _draw_lines(image: Floats, seen: Visible, depth: Floats, jump_mm: float) -> None:
    """Darken pixels where the face, or the surface in front, changes."""
    label = np.full(depth.shape, -1, dtype=np.int64)
    label[seen.row, seen.column] = np.where(seen.is_back, -2, seen.mesh.face[seen.corners[0]])
    line = np.zeros(label.shape, dtype=np.bool_)
    with np.errstate(invalid="ignore"):
        down = (label[1:] != label[:-1]) | (np.abs(depth[1:] - depth[:-1]) > jump_mm)
        across = (label[:, 1:] != label[:, :-1]) | (np.abs(depth[:, 1:] - depth[:, :-1]) > jump_mm)
    line[1:] |= down
    line[:-1] |= down
    line[:, 1:] |= across
    image[line] *= 0.45
    image[line & (label == -1)] = 140.0


def png_bytes(pixels: NDArray[np.uint8]) -> bytes:
    """PNG (ISO/IEC 15948) of (h, w, 3) uint8, nothing in it but the picture."""
    height, width, _ = pixels.shape
    above = np.concatenate([np.zeros_like(pixels[:1]), pixels[:-1]])
    rows = np.concatenate([np.full((height, 1), 2, dtype=np.uint8), (pixels - above).reshape(height, -1)], axis=1)
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    chunks = ((b"IHDR", header), (b"IDAT", zlib.compress(rows.tobytes(), 6)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data)) for name, data in chunks
    )
