"""Form: the least zone that holds the points, and the range about a given element."""

from __future__ import annotations

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from worker.fitting.checks import refused_points
from worker.fitting.fit import FitSettings, Start, fit_element, shape_of
from worker.fitting.minimax import Minimax, Side, least_greatest
from worker.fitting.records import Association, Element, ElementKind, NotFitted, Refusal, Zone
from worker.fitting.shapes import ROUND, Shape, along, distances, freedoms
from worker.records import Floats

FORM_SETTINGS = FitSettings(
    is_robust=False,  # form is about the worst point
    is_evened=False,
    least_arc_rad=np.radians(60.0),  # form needs no size; below it a circle passes for a line
    least_length_share=0.0,
    least_taper_sigmas=0.0,
    most_turn_rad=np.inf,
)
NEARLY = 1.0 - 1e-9


def minimum_zone(kind: ElementKind, points_mm: Floats, *, start: Start | None = None) -> Zone | NotFitted:
    """The zone of least width (ISO 1101) that holds all points (n, 3), mm, any one frame.

    Plane: between parallel planes, exact; line: a cylinder about a straight axis; circle: between
    concentric circles in the plane square to the start's direction; cylinder, cone, sphere: between
    parallel surfaces.  Of round ones the nearest minimum to the least-squares element is found.
    start : near the answer; None looks for one
    """
    points_mm = np.asarray(points_mm, dtype=np.float64).reshape(-1, 3)
    first = fit_element(kind, points_mm, start=start, settings=FORM_SETTINGS)
    return first if isinstance(first, NotFitted) else zone_about(first, points_mm)


def zone_about(element: Element, points_mm: Floats) -> Zone | NotFitted:
    """The minimum zone of points (n, 3) next to an element fitted to them."""
    centre = points_mm.mean(axis=0)
    columns = np.ascontiguousarray((points_mm - centre).T)
    size = float(np.sqrt(np.mean(columns**2) * 3))
    if size == 0.0:
        return NotFitted(Refusal.COINCIDENT, f"All {len(points_mm)} points lie in one place.")
    columns = columns / size
    shape = shape_of(element).scaled(1 / size, -centre / size).placed_near(np.zeros(3))
    best = _least(shape, columns)
    if shape.kind is ElementKind.PLANE:
        best = _not_beaten(best, columns)
    if not best.is_settled:
        return NotFitted(Refusal.NOT_SETTLED, "The minimum zone found no rest.")
    found = best.shape.scaled(size, centre)
    return Zone(
        kind=shape.kind,
        association=Association.MINIMUM_ZONE,
        width_mm=2 * best.worst * size,
        point_mm=found.point,
        direction=None if shape.kind is ElementKind.SPHERE else found.direction,
        radius_mm=found.radius if shape.kind in ROUND else None,
        contact_index=tuple(int(item) for item in best.contact),
    )


def _least(shape: Shape, columns: Floats) -> Minimax:
    is_circle = shape.kind is ElementKind.CIRCLE

    def basis_of(item: Shape) -> Floats:
        basis = freedoms(item, is_direction_fixed=is_circle)
        return basis[:, np.abs(item.direction @ basis[:3]) < 0.5] if is_circle else basis

    return least_greatest(shape, columns, basis_of, Side.BOTH)


def _not_beaten(best: Minimax, columns: Floats) -> Minimax:
    """Against the normals of all facets of the hull, one of which is next to the least width of any body.

    The least distance of two parallel planes about a body touches a facet and a corner, or two edges
    (M. Houle, G. Toussaint, IEEE Trans. Pattern Anal. 10(5), 1988); the exchange finds both, and this
    check keeps it from resting in the wrong valley.
    """
    try:
        hull = ConvexHull(columns.T)
    except QhullError:
        return best  # flat to the last digit
    corners = columns[:, hull.vertices]
    facets = np.unique(np.round(hull.equations[:, :3], 12), axis=0)
    widths = np.array([np.ptp(along(corners, normal)) for normal in facets])
    least = int(np.argmin(widths))
    if widths[least] >= 2 * best.worst * NEARLY:
        return best
    values = along(corners, facets[least])
    middle = float(values.max() + values.min()) / 2
    other = _least(Shape(ElementKind.PLANE, middle * facets[least], facets[least]), columns)
    return other if other.worst < best.worst else best


def straightness_2d(points_mm: Floats) -> Zone | NotFitted:
    """Least distance of two parallel lines that hold points (n, 2), mm, exact: one runs along an edge of the hull."""
    points_mm = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
    refusal = refused_points(ElementKind.LINE, np.column_stack([points_mm, np.zeros(len(points_mm))]))
    if refusal is not None:
        return refusal
    try:
        corners = ConvexHull(points_mm).vertices
    except QhullError:  # on one line to the last digit
        direction = np.linalg.svd(points_mm - points_mm.mean(axis=0), full_matrices=False)[2][0]
        return _strip(points_mm, direction)
    edges = np.roll(points_mm[corners], -1, axis=0) - points_mm[corners]
    edges = edges / np.linalg.norm(edges, axis=1)[:, None]
    normal = np.column_stack([-edges[:, 1], edges[:, 0]])
    widths = np.ptp(points_mm[corners] @ normal.T, axis=0)
    return _strip(points_mm, edges[int(np.argmin(widths))])


def _strip(points_mm: Floats, direction: Floats) -> Zone:
    normal = np.array([-direction[1], direction[0]])
    values = points_mm @ normal
    middle = points_mm.mean(axis=0)
    low, high = float(values.min()), float(values.max())
    held = np.flatnonzero((values <= low + 1e-9 * (high - low)) | (values >= high - 1e-9 * (high - low)))
    return Zone(
        kind=ElementKind.LINE,
        association=Association.MINIMUM_ZONE,
        width_mm=high - low,
        point_mm=middle + ((low + high) / 2 - float(middle @ normal)) * normal,
        direction=direction,
        radius_mm=None,
        contact_index=tuple(int(item) for item in held),
    )


def range_about(element: Element, points_mm: Floats) -> Zone | NotFitted:
    """Range of the distances of points (n, 3), mm, from an element; twice the greatest for a line."""
    points_mm = np.asarray(points_mm, dtype=np.float64).reshape(-1, 3)
    if len(points_mm) == 0:
        return NotFitted(Refusal.NO_POINTS, "There are no points.")
    shape = shape_of(element)
    found = distances(shape, points_mm.T)
    is_line = shape.kind is ElementKind.LINE
    values = np.hypot(found[0], found[1]) if is_line else found[0]
    low, high = int(np.argmin(values)), int(np.argmax(values))
    middle = 0.0 if is_line else float(values[low] + values[high]) / 2
    is_plane = shape.kind is ElementKind.PLANE
    return Zone(
        kind=shape.kind,
        association=element.association,
        width_mm=float(2 * values[high]) if is_line else float(values[high] - values[low]),
        point_mm=element.point_mm + (middle * shape.direction if is_plane else 0.0),
        direction=element.direction,
        radius_mm=None if element.radius_mm is None else element.radius_mm + middle / np.cos(shape.half_angle),
        contact_index=(high,) if is_line else (low, high),
    )
