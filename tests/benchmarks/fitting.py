"""Fitting: how often 95 % intervals hold the truth, how long a fit takes, how often a start is found.

Run: .venv/bin/python -m tests.benchmarks.fitting [REPEATS, default 200]
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass

import numpy as np
from scipy.stats import t

from tests.support.elements import HALF_ANGLE_RAD, POSE, RADIUS_MM, near_start, on_element
from worker.fitting.fit import fit_element, shape_of
from worker.fitting.records import ANGLE_INDEX, RADIUS_INDEX, Element, ElementKind
from worker.fitting.shapes import Shape, normals
from worker.records import Floats

NOISE_MM, WAVES = 0.02, 200
SURFACES = [kind for kind in ElementKind if kind is not ElementKind.LINE]


@dataclass(frozen=True)
class Scene:
    """length_mm : of the field of errors that neighbours share, 0 for none; is_rough : exponential, else Gauss's."""

    kind: ElementKind
    count: int
    arc_deg: float = 360.0
    length_mm: float = 0.0
    is_rough: bool = False
    is_uneven: bool = False


SCENES = [
    *(Scene(kind, 500) for kind in SURFACES),
    Scene(ElementKind.CYLINDER, 40),
    Scene(ElementKind.CYLINDER, 5000),
    *(Scene(ElementKind.CYLINDER, 1500, arc) for arc in (270, 180, 130)),
    Scene(ElementKind.CYLINDER, 1500, 200, is_uneven=True),
    *(Scene(ElementKind.CYLINDER, 1500, 360, length) for length in (1, 2, 4, 8)),
    *(Scene(ElementKind.CYLINDER, 1500, 180, length) for length in (2, 4)),
    *(Scene(ElementKind.CYLINDER, 1500, 360, length, is_rough=True) for length in (1, 2, 6)),
    *(Scene(kind, 1500, 360, 2) for kind in SURFACES if kind is not ElementKind.CYLINDER),
]


def ideal(kind: ElementKind) -> Shape:
    radius = 0.0 if kind is ElementKind.PLANE else RADIUS_MM
    return Shape(kind, np.zeros(3), np.array([0, 0, 1.0]), radius, HALF_ANGLE_RAD if kind is ElementKind.CONE else 0.0)


def field(points_mm: Floats, scene: Scene, rng: np.random.Generator) -> Floats:
    """Unit field by random waves; a gamma mixture of Gaussian wave numbers gives the exponential correlation."""
    waves = rng.normal(size=(WAVES, 3)) / scene.length_mm
    if scene.is_rough:
        waves = waves / np.sqrt(rng.gamma(0.5, 2, size=(WAVES, 1)) + 1e-9)
    phases = rng.uniform(0, 2 * np.pi, WAVES)
    values: Floats = np.sqrt(2 / WAVES) * np.cos(points_mm @ waves.T + phases).sum(axis=1)
    return values


def scanned(scene: Scene, rng: np.random.Generator) -> Floats:
    points = on_element(scene.kind, scene.count * (3 if scene.is_uneven else 1), rng, arc_rad=np.radians(scene.arc_deg))
    if scene.is_uneven:  # four in five points on one third
        share = np.where(points[:, 2] < -3, 1.0, 0.125)
        points = points[rng.choice(len(points), scene.count, replace=False, p=share / share.sum())]
    off = rng.normal(0, NOISE_MM, len(points))
    if scene.length_mm:
        off = off + NOISE_MM * field(points, scene, rng)
    moved: Floats = points + off[:, None] * normals(ideal(scene.kind), points.T).T
    return moved


def errors(found: Element) -> Floats:
    """Error over its standard deviation, of place (across the element only), size and angle."""
    covariance = found.covariance_at(np.zeros(3))
    place, told = found.place_at(np.zeros(3)), np.sqrt(np.maximum(np.diag(covariance), 1e-30))
    columns = {ElementKind.PLANE: [2], ElementKind.SPHERE: [0, 1, 2]}.get(found.kind, [0, 1])
    ratios = [place[index] / told[index] for index in columns]
    if found.radius_mm is not None:
        truth = RADIUS_MM + found.point_mm[2] * np.tan(found.half_angle_rad or 0.0)
        ratios.append((found.radius_mm - truth) / np.sqrt(found.covariance[RADIUS_INDEX, RADIUS_INDEX]))
    if found.half_angle_rad is not None:
        ratios.append((found.half_angle_rad - HALF_ANGLE_RAD) / np.sqrt(found.covariance[ANGLE_INDEX, ANGLE_INDEX]))
    return np.array(ratios)


def coverage(scene: Scene, repeats: int) -> None:
    rng = np.random.default_rng(1)
    ratios, inside, dofs, refused = [], [], [], 0
    for _ in range(repeats):
        found = fit_element(scene.kind, scanned(scene, rng), start=near_start(scene.kind))
        if not isinstance(found, Element):
            refused += 1
            continue
        ratio = errors(found)
        ratios.append(ratio)
        inside.append(np.abs(ratio) < t.ppf(0.975, found.dof))
        dofs.append(found.dof)
    share, spread = 100 * np.mean(inside), np.sqrt(np.mean(np.square(ratios)))
    what = f"{scene.length_mm:g} mm {'rough' if scene.is_rough else 'smooth'}" if scene.length_mm else "white"
    sampling = "uneven" if scene.is_uneven else "even"
    name = f"{scene.kind.value:9s} {scene.count:5d} {scene.arc_deg:4.0f} {sampling:6s} {what:12s}"
    print(f"{name} {share:6.1f} {spread:8.2f} {np.median(dofs):8.0f} {refused:8d}", flush=True)


def speed() -> None:
    for kind in ElementKind:
        rng = np.random.default_rng(2)
        points = on_element(kind, 60_000, rng)
        points = POSE.apply(points + rng.normal(0, NOISE_MM, points.shape))
        points[:6000] += rng.uniform(0, 1, (6000, 3))
        took = []
        for start in (near_start(kind, POSE), None):
            begun = time.perf_counter()
            fit_element(kind, points, start=start)
            took.append(time.perf_counter() - begun)
        print(f"{kind.value:9s} {took[0]:10.2f} s {took[1]:10.2f} s", flush=True)


def starts(repeats: int) -> None:
    """Share of fits without a start that come to the right element, three points in ten being strays."""
    for kind in ElementKind:
        rng, right = np.random.default_rng(3), 0
        for _ in range(repeats):
            points = on_element(kind, 600, rng) + rng.normal(0, NOISE_MM, (600, 3))
            points[:180] += rng.uniform(-4, 4, (180, 3))
            found = fit_element(kind, POSE.apply(points))
            if isinstance(found, Element):
                back = shape_of(found)
                aside = np.linalg.norm(np.cross(back.direction, POSE.turn(np.array([0, 0, 1.0]))))
                off = np.linalg.norm(found.place_at(POSE.apply(np.zeros(3))) - POSE.apply(np.zeros(3)))
                right += bool((found.direction is None or aside < 0.01) and off < 0.05)
        print(f"{kind.value:9s} {right} of {repeats}", flush=True)


def main() -> None:
    repeats = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    print("95 % intervals: element, points, arc, sampling, errors; % that hold, rms error / sigma, dof, refused")
    for scene in SCENES:
        coverage(scene, repeats)
    print("\n60 000 points, a tenth of them flash: with a start, without")
    speed()
    print("\nRight without a start, three points in ten strays")
    starts(max(10, repeats // 10))


if __name__ == "__main__":
    main()
