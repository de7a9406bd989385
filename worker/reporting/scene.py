"""What the page shows beside the document: the view mesh, its maps' scales, regions to highlight, histograms."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from worker.exhibits import Mark
from worker.records import Bools, Deviation, Face, Floats, Samples, SurfaceKind, Thickness
from worker.reporting.colors import STEPS
from worker.reporting.plots import Histogram, histogram
from worker.reporting.view import MapValues, ViewMesh, ViewSettings, map_values, view_mesh

HISTOGRAM_TOLERANCES = (
    4.0  # the deviation histogram runs this many tolerances to each side: one step past the last colour
)
WALL_TOP_SHARE = 0.9  # of nominal's area has a wall below the top of the wall scale
ROUND_TOPS = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


@dataclass(frozen=True, eq=False)
class Highlight:
    """A region or characteristic that can be picked out; mask (v,) over vertices of the view mesh, and its marks."""

    name: str
    label: str
    mask: Bools
    marks: tuple[Mark, ...] = ()


@dataclass(frozen=True, eq=False, kw_only=True)
class Scene:
    """Everything drawn.

    is_closed : nominal has an inside, so no back of a surface can be seen from outside
    faces, diameters_mm : a label and a diameter (or None) per face of nominal;  wall_top_mm : where the wall scale ends
    thin_mm : 0 without a wall map
    """

    mesh: ViewMesh
    is_closed: bool
    faces: tuple[str, ...]
    diameters_mm: tuple[float | None, ...]
    highlights: tuple[Highlight, ...]
    tolerance_mm: float
    wall_top_mm: float
    thin_mm: float
    deviation_histogram: Histogram | None
    nominal_wall_histogram: Histogram | None
    actual_wall_histogram: Histogram | None

    @property
    def steps_mm(self) -> tuple[float, ...]:
        """Deviations at which the map changes colour."""
        return tuple(step * self.tolerance_mm for step in STEPS)


@dataclass(frozen=True, eq=False, kw_only=True)
class Drawn:
    """What a scene is made from; U_mm (s,) expanded uncertainty of the deviation, None: from scan noise alone."""

    samples: Samples
    faces: tuple[Face, ...]
    is_closed: bool
    deviation: Deviation | None
    thickness: Thickness | None
    tolerance_mm: float
    U_mm: Floats | None = None


@dataclass(frozen=True, eq=False)
class Pickable:
    """What can be picked out: mask (s,) over samples, and places to mark."""

    name: str
    label: str
    mask: Bools
    marks: tuple[Mark, ...] = ()


def build_scene(drawn: Drawn, pickable: Sequence[Pickable], settings: ViewSettings | None = None) -> Scene:
    """Thin the mesh and gather the scales."""
    values = map_values(drawn.samples, drawn.deviation, drawn.thickness, drawn.tolerance_mm)
    if drawn.U_mm is not None:
        values = replace(values, U_mm=np.where(values.is_measured, drawn.U_mm, 0.0))
    mesh = view_mesh(drawn.samples, values, settings)
    wall_top_mm = _wall_top(drawn.samples, drawn.thickness)
    nominal_walls, actual_walls = _wall_histograms(drawn.samples, drawn.thickness, wall_top_mm)
    return Scene(
        mesh=mesh,
        is_closed=drawn.is_closed,
        faces=tuple(face_label(face) for face in drawn.faces),
        diameters_mm=tuple(face_diameter(face) for face in drawn.faces),
        highlights=tuple(
            Highlight(one.name, one.label, mesh.mask_of(one.mask), one.marks)
            for one in pickable
            if one.mask.any() or one.marks
        ),
        tolerance_mm=drawn.tolerance_mm,
        wall_top_mm=wall_top_mm,
        thin_mm=values.thin_mm,
        deviation_histogram=_deviation_histogram(drawn.samples, values),
        nominal_wall_histogram=nominal_walls,
        actual_wall_histogram=actual_walls,
    )


def face_label(face: Face) -> str:
    """A face as a person would point it out."""
    kind = f"hole, {face.kind.value}" if face.is_hole else face.kind.value
    return f"{face.name} ({kind}, face {face.index})" if face.name else f"face {face.index} ({kind})"


def face_diameter(face: Face) -> float | None:
    """Diameter to tell beside the label, mm; None where a face has no one diameter."""
    is_round = face.kind in {SurfaceKind.CYLINDER, SurfaceKind.SPHERE}
    return 2 * face.radius_mm if is_round and face.radius_mm is not None else None


def _deviation_histogram(samples: Samples, values: MapValues) -> Histogram | None:
    if not values.is_measured.any():
        return None
    reach = HISTOGRAM_TOLERANCES * values.tolerance_mm
    return histogram(values.deviation_mm, values.is_measured, samples.area_mm2, (-reach, reach))


def _wall_histograms(
    samples: Samples, thickness: Thickness | None, top_mm: float
) -> tuple[Histogram | None, Histogram | None]:
    if thickness is None or not thickness.has_ray.any():
        return None, None
    span = (0.0, top_mm)
    return (
        histogram(thickness.ray_mm, thickness.has_ray, samples.area_mm2, span),
        histogram(thickness.actual_mm, thickness.is_actual_measured, samples.area_mm2, span),
    )


def _wall_top(samples: Samples, thickness: Thickness | None) -> float:
    """A round length below which most walls lie, at least twice the thin limit."""
    if thickness is None or not thickness.has_ray.any():
        return 1.0
    walls, weights = thickness.ray_mm[thickness.has_ray], samples.area_mm2[thickness.has_ray]
    order = np.argsort(walls)
    reached = np.cumsum(weights[order])
    high = float(walls[order][np.searchsorted(reached, WALL_TOP_SHARE * reached[-1])])
    wanted = max(high, 2 * thickness.spot_limit_mm, 1e-3)
    decade = 10.0 ** np.floor(np.log10(wanted))
    return float(decade * next(top for top in ROUND_TOPS if top * decade >= wanted * (1 - 1e-9)))
