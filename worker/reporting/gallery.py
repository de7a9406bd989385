"""Which still pictures a report carries, and where the numbered findings show in them."""

from __future__ import annotations

import base64
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from worker.records import Floats
from worker.reporting import wording
from worker.reporting.scene import Scene
from worker.reporting.stills import (
    OVERSAMPLING,
    Camera,
    Painter,
    Still,
    deviation_painter,
    frame_for,
    picture,
    png_bytes,
    wall_painter,
)

WIDTH, TALLEST = 760 * OVERSAMPLING, 620 * OVERSAMPLING
SEEN_SHARE = 0.02  # of the part's size: a pin this near the drawn surface is on it
CUT_AHEAD_SHARE = 0.012  # of the part's radius: a cut this far before a place leaves the place standing
UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True)
class Pin:
    """A numbered finding in a picture, pixels."""

    number: int
    x: float
    y: float


@dataclass(frozen=True)
class Picture:
    """A still ready for the page."""

    title: str
    width: int
    height: int
    data_uri: str
    pins: tuple[Pin, ...]


@dataclass(frozen=True)
class Numbered:
    """A finding with a place: its number, position (nominal frame) and the map that shows it."""

    number: int
    point_mm: tuple[float, float, float]
    map: str


def gallery(scene: Scene, places: Sequence[Numbered], thread_count: int = 1) -> list[Picture]:
    """Draw the pictures; the one that best shows the first finding comes first.  Threads change nothing but time."""
    slack_mm = SEEN_SHARE * _size(scene)

    def draw(shot: _Shot) -> Picture:
        frame = frame_for(scene.mesh.points_mm, shot.camera, WIDTH, TALLEST)
        return _finished(shot.title, picture(scene.mesh, frame, shot.painter), places, slack_mm)

    with ThreadPoolExecutor(max_workers=max(thread_count, 1)) as pool:
        return _key_first(list(pool.map(draw, _shots(scene, places))), places)


@dataclass(frozen=True)
class _Shot:
    title: str
    camera: Camera
    painter: Painter


def _shots(scene: Scene, places: Sequence[Numbered]) -> list[_Shot]:
    """Two corners of the deviation map, one cut, and the walls cut open; less where a map is empty."""
    painter = deviation_painter(scene.tolerance_mm)
    walls = [place for place in places if place.map == "wall"]
    deviations = [place for place in places if place.map != "wall"]
    sees_backs = not scene.is_closed
    front = Camera(_toward(-0.9, 0.55), UP, sees_backs=sees_backs)
    back = Camera(_toward(-0.9 + np.pi, -0.5), UP, sees_backs=sees_backs)
    shots = [
        _Shot("Deviation, from the front, right and above", front, painter),
        _Shot("Deviation, from behind, left and below", back, painter),
    ]
    if scene.mesh.is_measured.any():
        shots.append(_Shot(*_cut(scene, deviations[0] if deviations else None, "Deviation"), painter))
    if scene.thin_mm > 0 and scene.mesh.has_wall.any():
        shots.append(_Shot(*_cut(scene, walls[0] if walls else None, "Wall"), wall_painter(scene.wall_top_mm)))
    return shots


def _key_first(pictures: list[Picture], places: Sequence[Numbered]) -> list[Picture]:
    """Put the picture first that shows the first finding, on the right map and with most others beside it."""
    if not places or len(pictures) < 2:
        return pictures
    first = places[0]
    wanted = "Wall" if first.map == "wall" else "Deviation"

    def worth(entry: Picture) -> tuple[bool, bool, int]:
        numbers = [pin.number for pin in entry.pins]
        return first.number in numbers, entry.title.startswith(wanted), len(numbers)

    key = max(pictures, key=worth)
    return [key, *(entry for entry in pictures if entry is not key)]


def _finished(title: str, still: Still, places: Sequence[Numbered], slack_mm: float) -> Picture:
    found = ((place.number, still.find(np.array(place.point_mm), slack_mm)) for place in places)
    pins = tuple(Pin(number, round(at[0], 1), round(at[1], 1)) for number, at in found if at is not None)
    data = base64.b64encode(png_bytes(still.pixels)).decode()
    return Picture(title, still.width, still.height, f"data:image/png;base64,{data}", pins)


def _toward(azimuth_rad: float, elevation_rad: float) -> Floats:
    flat = np.cos(elevation_rad)
    return np.array([flat * np.cos(azimuth_rad), flat * np.sin(azimuth_rad), np.sin(elevation_rad)])


def _size(scene: Scene) -> float:
    return float(np.linalg.norm(np.ptp(scene.mesh.points_mm, axis=0)))


def _cut(scene: Scene, place: Numbered | None, map_name: str) -> tuple[str, Camera]:
    """Open the part just before a place, or across its middle, and look at it a little from the side."""
    points = scene.mesh.points_mm
    if place is None:
        axis, sign, at_mm = 1, -1.0, float(points[:, 1].mean())
        normal = np.array([0.0, -1.0, 0.0])
    else:
        nearest = int(((points - np.array(place.point_mm)) ** 2).sum(axis=1).argmin())
        normal = scene.mesh.normals[nearest]
        axis = int(np.abs(normal).argmax())
        sign = 1.0 if normal[axis] >= 0 else -1.0
        at_mm = float(points[nearest, axis]) + sign * _half_gap(scene, nearest) * float(abs(normal[axis]))
    toward = 0.3 * normal + np.array([0.25, -0.3, 0.35])
    toward[axis] = sign
    plane = np.zeros(3)
    plane[axis] = sign
    where = wording.Pair(f"{at_mm:.1f} mm", f"{at_mm / wording.MM_PER_INCH:.2f} in")
    title = f"{map_name}, cut open at {'xyz'[axis]} = {where}"
    up = UP if axis != 2 else np.array([0.0, 1.0, 0.0])
    return title, Camera(toward, up, plane, sign * at_mm)


def _half_gap(scene: Scene, vertex: int) -> float:
    """Half the free way from a vertex to the surface facing it, so that a cut opens a hollow at its middle.

    Looked for among vertices near the line along the normal; a little where the place is outside.
    """
    mesh, size_mm = scene.mesh, _size(scene)
    normal = mesh.normals[vertex]
    away = mesh.points_mm - mesh.points_mm[vertex]
    along = away @ normal
    beside = np.linalg.norm(away - along[:, None] * normal, axis=1)
    is_facing = (along > 1e-3 * size_mm) & (beside < SEEN_SHARE * size_mm) & (mesh.normals @ normal < -0.3)
    return float(along[is_facing].min()) / 2 if is_facing.any() else CUT_AHEAD_SHARE * size_mm / 2
