"""A small picture for each place a section marks: the part cut open there, the mark drawn over it."""

from __future__ import annotations

import base64
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from shared.report import Mark, Report
from worker.records import Floats
from worker.reporting.places import Place
from worker.reporting.scene import Scene
from worker.reporting.stills import OVERSAMPLING, Camera, deviation_painter, frame_for, picture, png_bytes

WIDTH, TALLEST = 420 * OVERSAMPLING, 340 * OVERSAMPLING
MOST_PICTURES = 12  # of a section; each is some 60 KB of page
PLAIN_PREFERENCE = np.array([0.02, 0.0, 0.01])  # of two equal directions along y, then z, then x: heads lie so
AHEAD_SHARE = 1e-3  # of the part's size: the cut leaves the place itself standing
UP, AHEAD_UP = np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0])


@dataclass(frozen=True)
class MarkPicture:
    """A picture of one mark.

    line : its places in pixels, as an SVG polyline takes them;  start : the first of them
    place : what its button shows
    """

    label: str
    width: int
    height: int
    data_uri: str
    line: str
    start: tuple[float, float]
    place: Place


def section_pictures(report: Report, scene: Scene) -> dict[str, list[MarkPicture]]:
    """By section id, its marks in their order."""
    names = [entry.name for entry in scene.highlights]
    wanted = [
        (section.id, mark, names.index(section.id) if section.id in names else None)
        for section in report.sections
        for mark in section.exhibits.marks[:MOST_PICTURES]
    ]

    def draw(asked: tuple[str, Mark, int | None]) -> MarkPicture:
        _, mark, highlight = asked
        return _drawn(mark, highlight, scene)

    with ThreadPoolExecutor(max_workers=max(report.run.thread_count, 1)) as pool:
        drawn = list(pool.map(draw, wanted))
    found: dict[str, list[MarkPicture]] = {section.id: [] for section in report.sections}
    for (section, _, _), made in zip(wanted, drawn, strict=True):
        found[section].append(made)
    return found


def _drawn(mark: Mark, highlight: int | None, scene: Scene) -> MarkPicture:
    points = np.array(mark.points_mm, dtype=np.float64)
    frame = frame_for(np.concatenate([scene.mesh.points_mm, points]), camera_for(points, scene), WIDTH, TALLEST)
    still = picture(scene.mesh, frame, deviation_painter(scene.tolerance_mm))
    pixel = frame.project(points)[0] / OVERSAMPLING
    data = base64.b64encode(png_bytes(still.pixels)).decode()
    x, y, z = (round(float(value), 6) for value in points[0])
    return MarkPicture(
        label=mark.label,
        width=still.width,
        height=still.height,
        data_uri=f"data:image/png;base64,{data}",
        line=" ".join(f"{across:.1f},{down:.1f}" for across, down in pixel),
        start=(round(float(pixel[0, 0]), 1), round(float(pixel[0, 1]), 1)),
        place=Place((x, y, z), "deviation", highlight),
    )


def camera_for(points_mm: Floats, scene: Scene) -> Camera:
    """Along the axis most square to the mark, cut open at its first place, from the side nearer it."""
    axis = _squarest_axis(points_mm)
    middle = scene.mesh.points_mm[:, axis].mean()
    sign = 1.0 if points_mm[0, axis] >= middle else -1.0
    plane = np.zeros(3)
    plane[axis] = sign
    size = float(np.linalg.norm(np.ptp(scene.mesh.points_mm, axis=0)))
    toward = np.array([0.18, -0.18, 0.22])
    toward[axis] = sign
    return Camera(toward, AHEAD_UP if axis == 2 else UP, plane, sign * float(points_mm[0, axis]) + AHEAD_SHARE * size)


def _squarest_axis(points_mm: Floats) -> int:
    """The part axis along which the mark is shortest; the plain order among equals."""
    spans = np.ptp(points_mm, axis=0)
    longest = float(spans.max())
    return int(np.argmin(spans / (longest if longest > 0 else 1.0) + PLAIN_PREFERENCE))
