"""Elements of least squares of orthogonal distances through points, robust against burrs and flash."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from worker.fitting.checks import (
    LEAST_POINTS,
    SURFACE,
    arc_rad,
    cap_rad,
    length_along,
    refused_points,
    set_aside_text,
)
from worker.fitting.covariance import fit_covariance
from worker.fitting.records import (
    ANGLE_INDEX,
    Association,
    Element,
    ElementKind,
    NotFitted,
    Refusal,
)
from worker.fitting.search import found_start, with_direction
from worker.fitting.shapes import ROUND, WITH_AXIS, Shape, along, distances, normals, patch_cells, signed
from worker.fitting.solve import Settled, plain_fit, robust_fit, scale
from worker.records import Floats


@dataclass(frozen=True, eq=False)
class Start:
    """Where to begin, the nominal feature as a rule.

    point_mm : (3,) on the plane, line or axis, or the centre
    direction : (3,) normal, axis; of a plane out of material, and the answer will point the same way
    is_internal : of a round element, whether material lies outside it; read only where normals are given
    whole_mm : (w, 3) places evenly over all of the feature, so that form it shows counts only by what is unseen
    """

    point_mm: Floats
    direction: Floats | None = None
    radius_mm: float | None = None
    half_angle_rad: float | None = None
    is_internal: bool | None = None
    whole_mm: Floats | None = None


@dataclass(frozen=True, kw_only=True)
class FitSettings:
    """How elements are fitted, and what is too little to fit them to."""

    is_robust: bool = True  # burrs, flash and strays are the rule on a scan
    least_robust_points: int = 20  # fewer tell no stray from form: setting some aside makes the rest fit by chance
    is_evened: bool = True  # a dense patch must not outvote a thin one
    is_direction_fixed: bool = False  # True keeps the start's direction, for datums of lower order
    least_arc_rad: float = np.radians(120.0)  # the radius is 5.6 times less sure there than on a full circle
    least_length_share: float = 0.05  # of the diameter; a shorter slice of a cylinder tells its tilt by burrs alone
    least_taper_sigmas: float = 5.0  # below it a cone's seen slice is as good a cylinder
    most_turn_rad: float = 0.05  # an axis or normal less sure than 3 degrees is no axis
    least_kept_share: float = 0.5  # fewer points on the element than off it: it is something else
    most_scatter_share: float = 0.25  # of the points' own size; a block of points taken for a sphere shows 0.28
    most_line_share: float = 0.01  # of squared width to squared length: a strip ten times as long as wide is a surface
    sigma_floor_mm: float = 1e-5  # exact points must not divide by zero
    points_a_cell: int = 30  # fewer tell density by chance
    cell_limit: int = 400
    most_uneven: float = 4.0  # a cell this many times emptier than the middle one counts no further


@dataclass(frozen=True, eq=False)
class _Frame:
    """Points about their centroid and of unit size: columns (3, n) = (points - centre) / size; ``whole`` likewise."""

    columns: Floats
    centre_mm: Floats
    size_mm: float
    whole: Floats | None = None


def fit_element(
    kind: ElementKind,
    points_mm: Floats,
    *,
    normals_out: Floats | None = None,
    start: Start | None = None,
    settings: FitSettings | None = None,
) -> Element | NotFitted:
    """Element of least weighted squares of orthogonal distances.

    points_mm : (n, 3) float64, mm, any one frame
    normals_out : (n, 3) unit, out of material, where known: told against the start's facing, and a
        plane without a start is made to face their way
    start : near the answer; None looks for one among the points

    Plain Levenberg until settled, then Tukey's biweight narrowed to 4.685 robust standard
    deviations; each patch of surface counts alike, however densely it was scanned.  True distances,
    not algebraic ones, whose radius is off by about variance / (2 R).

    Returns
    -------
    Element or NotFitted
        Frame of the points.  Never a guess: what the points do not determine is refused by name.

    """
    settings = settings or FitSettings()
    points_mm = np.asarray(points_mm, dtype=np.float64).reshape(-1, 3)
    refusal = refused_points(kind, points_mm)
    if refusal is not None:
        return refusal
    frame = _framed(points_mm, None if start is None else start.whole_mm)
    floor = settings.sigma_floor_mm / frame.size_mm
    begun = _begun(kind, frame, start, floor)
    if begun is None:
        return NotFitted(Refusal.NOTHING_LIKE_IT, f"No {kind} lies near most of the points.")
    even = _evenness(begun, frame.columns, settings)
    settled = _settled(begun, frame, even, settings, is_told=start is not None)
    refusal = _refused_shape(settled, frame, settings)
    if refusal is not None:
        return refusal
    settled = replace(settled, shape=_facing(settled.shape, start, normals_out))
    return _faces_wrong_way(settled.shape, start, normals_out, frame) or _judged(settled, frame, even, settings)


def _framed(points_mm: Floats, whole_mm: Floats | None) -> _Frame:
    centre = points_mm.mean(axis=0)
    columns = np.ascontiguousarray((points_mm - centre).T)
    size = float(np.sqrt(np.mean(columns[0] ** 2 + columns[1] ** 2 + columns[2] ** 2)))
    whole = None if whole_mm is None else np.ascontiguousarray((whole_mm - centre).T) / size
    return _Frame(columns / size, centre, size, whole)


def _begun(kind: ElementKind, frame: _Frame, start: Start | None, floor: float) -> Shape | None:
    """The start in the frame, whatever it leaves unsaid taken from the points."""
    if start is None or (start.direction is None and kind is not ElementKind.SPHERE):
        return found_start(kind, frame.columns, floor)
    point = (np.asarray(start.point_mm, dtype=np.float64) - frame.centre_mm) / frame.size_mm
    told = np.array([0.0, 0.0, 1.0]) if start.direction is None else np.asarray(start.direction, dtype=np.float64)
    direction = told / np.linalg.norm(told)
    shape = Shape(kind, point, direction)
    if kind is ElementKind.CONE:
        if start.half_angle_rad is None or start.radius_mm is None:
            return with_direction(kind, frame.columns, direction)
        shape = replace(shape, radius=start.radius_mm / frame.size_mm, half_angle=start.half_angle_rad)
    elif kind in ROUND:
        away = float(np.median(signed(distances(shape, frame.columns), kind)))
        shape = replace(shape, radius=away if start.radius_mm is None else start.radius_mm / frame.size_mm)
    return shape.placed_near(np.zeros(3))


def _settled(begun: Shape, frame: _Frame, even: Floats, settings: FitSettings, *, is_told: bool) -> Settled:
    """Plain, then robust; a start looked for among the points is robust already."""
    fixed = settings.is_direction_fixed
    floor = settings.sigma_floor_mm / frame.size_mm
    is_robust = settings.is_robust and len(even) >= settings.least_robust_points
    if not is_robust or is_told:
        settled = plain_fit(begun, frame.columns, even, is_direction_fixed=fixed)
        if not is_robust:
            return settled
    else:
        settled = Settled(begun, even[None], even[None], True)
    return robust_fit(settled, frame.columns, even, floor, is_direction_fixed=fixed)


def _evenness(shape: Shape, columns: Floats, settings: FitSettings) -> Floats:
    """Weights (n,), mean 1: one over the points of the patch that each lies in."""
    count = columns.shape[1]
    wanted = min(settings.cell_limit, count // settings.points_a_cell)
    if not settings.is_evened or wanted < 2:
        return np.ones(count)
    cell = patch_cells(shape, columns, wanted)
    held = np.bincount(cell)
    weights: Floats = 1.0 / np.maximum(held, np.median(held) / settings.most_uneven)[cell]
    return weights / float(weights.mean())


def _facing(shape: Shape, start: Start | None, normals_out: Floats | None) -> Shape:
    """Direction turned to the start's side, or a plane's to its normals' side; a cone's stays widening."""
    if shape.kind in (ElementKind.CONE, ElementKind.SPHERE):
        return shape
    wanted = None if start is None or start.direction is None else np.asarray(start.direction, dtype=np.float64)
    if wanted is None and normals_out is not None and shape.kind is ElementKind.PLANE:
        wanted = normals_out.mean(axis=0)
    if wanted is None:  # any fixed rule will do
        wanted = np.eye(3)[int(np.argmax(np.abs(shape.direction)))]
    return replace(shape, direction=-shape.direction) if float(shape.direction @ wanted) < 0 else shape


def _faces_wrong_way(shape: Shape, start: Start | None, normals_out: Floats | None, frame: _Frame) -> NotFitted | None:
    """Refuse points whose normals say that they belong to the other side of the material."""
    if start is None or normals_out is None or shape.kind is ElementKind.LINE:
        return None
    if shape.kind is not ElementKind.PLANE and start.is_internal is None:
        return None
    if shape.kind is ElementKind.PLANE and start.direction is None:
        return None
    sign = -1.0 if start.is_internal and shape.kind is not ElementKind.PLANE else 1.0
    facing = sign * (normals(shape, frame.columns) * normals_out.T).sum(axis=0)
    share = float(np.count_nonzero(facing < 0)) / len(facing)
    if share <= 0.5:
        return None
    return NotFitted(Refusal.FACES_WRONG_WAY, f"{share:.0%} of the {len(facing)} points face the other way.")


def _refused_shape(settled: Settled, frame: _Frame, settings: FitSettings) -> NotFitted | None:
    """Why the element at rest is no answer."""
    shape = settled.shape
    kept = settled.weights.min(axis=0) > 0
    flattest = shape.kind in ROUND and not 0 < shape.radius < 50.0  # times the points' own size
    if flattest and settled.is_settled:
        return _too_little(settled, 0.0, settings)
    if not settled.is_settled or flattest:
        spread = np.linalg.eigvalsh(frame.columns @ frame.columns.T)
        if shape.kind is not ElementKind.LINE and spread[1] < settings.most_line_share * spread[2]:
            return NotFitted(
                Refusal.COLLINEAR, f"The points lie along a line, which does not tell {SURFACE[shape.kind]}."
            )
        return NotFitted(Refusal.NOT_SETTLED, f"The fit of {SURFACE[shape.kind]} found no rest.")
    if np.count_nonzero(kept) < max(settings.least_kept_share * len(kept), LEAST_POINTS[shape.kind]):
        text = f"{set_aside_text(kept)} lie on something else than {SURFACE[shape.kind]}."
        return NotFitted(Refusal.NOTHING_LIKE_IT, text)
    scatter = scale(distances(shape, frame.columns), shape.kind, 0.0)
    size = shape.radius if shape.kind in ROUND else 1.0
    if scatter > settings.most_scatter_share * min(size, 1.0):
        text = f"The points scatter by {scatter * frame.size_mm:.3g} mm about {SURFACE[shape.kind]}"
        return NotFitted(Refusal.NOTHING_LIKE_IT, f"{text}, {scatter / min(size, 1.0):.0%} of its size.")
    return _refused_extent(settled, frame.columns[:, kept], frame.size_mm, settings)


def _refused_extent(settled: Settled, columns: Floats, size_mm: float, settings: FitSettings) -> NotFitted | None:
    """Why the points that count, (3, n), show too little of the element."""
    shape = settled.shape
    if shape.kind is ElementKind.SPHERE:
        span = cap_rad(shape, columns)
        return None if span >= settings.least_arc_rad else _too_little(settled, span, settings)
    if shape.kind not in ROUND:
        return None
    span = arc_rad(shape, columns)[1]
    if span < settings.least_arc_rad:
        return _too_little(settled, span, settings)
    length = length_along(shape, columns)
    is_short = shape.kind in WITH_AXIS and length < 2 * shape.radius * settings.least_length_share
    if is_short and not settings.is_direction_fixed:
        text = f"The points reach {length * size_mm:.3g} mm along {SURFACE[shape.kind]} of diameter"
        return NotFitted(Refusal.TOO_SHORT, f"{text} {2 * shape.radius * size_mm:.4g} mm, too short to tell its axis.")
    return None


def _too_little(settled: Settled, span: float, settings: FitSettings) -> NotFitted:
    least = np.degrees(settings.least_arc_rad)
    text = f"The points show {np.degrees(span):.0f} of 360 degrees of {SURFACE[settled.shape.kind]}"
    return NotFitted(Refusal.TOO_LITTLE_ARC, f"{text}; {least:.0f} are needed to tell its size and place.")


def _judged(settled: Settled, frame: _Frame, even: Floats, settings: FitSettings) -> Element | NotFitted:
    """The element with its covariance, unless that says that nothing is known."""
    kept = settled.weights.min(axis=0) > 0
    centroid = frame.columns[:, kept].mean(axis=1)
    settled = replace(settled, shape=settled.shape.placed_near(centroid))
    own, dof = fit_covariance(
        settled, frame.columns, even, is_direction_fixed=settings.is_direction_fixed, whole=frame.whole
    )
    units = np.array([frame.size_mm] * 3 + [1.0] * 3 + [frame.size_mm, 1.0])
    covariance = own * np.outer(units, units)
    return _unsure(settled, covariance, settings) or _element(settled, frame, covariance, dof)


def _unsure(settled: Settled, covariance: Floats, settings: FitSettings) -> NotFitted | None:
    shape = settled.shape
    if shape.kind is ElementKind.CONE:
        sigma = float(np.sqrt(covariance[ANGLE_INDEX, ANGLE_INDEX]))
        if shape.half_angle < settings.least_taper_sigmas * sigma:
            text = f"The slice seen has a half angle of {np.degrees(shape.half_angle):.3g} degrees"
            return NotFitted(
                Refusal.NO_TAPER,
                f"{text}, give or take {np.degrees(sigma):.2g}: it does not tell a cone from a cylinder.",
            )
    turn = float(np.sqrt(np.linalg.eigvalsh(covariance[3:6, 3:6])[-1]))
    if turn > settings.most_turn_rad:
        code = Refusal.TOO_SHORT if shape.kind in ROUND else Refusal.COLLINEAR
        text = f"The points leave the direction of {SURFACE[shape.kind]} unsure by {np.degrees(turn):.2g} degrees."
        return NotFitted(code, text)
    return None


def _element(settled: Settled, frame: _Frame, covariance: Floats, dof: float) -> Element:
    kept = settled.weights.min(axis=0) > 0
    shape, used = settled.shape, frame.columns[:, kept]
    found = distances(shape, frame.columns)
    is_round = shape.kind in ROUND and shape.kind is not ElementKind.SPHERE
    size = frame.size_mm
    return Element(
        kind=shape.kind,
        association=Association.LEAST_SQUARES,
        point_mm=shape.point * size + frame.centre_mm,
        direction=None if shape.kind is ElementKind.SPHERE else shape.direction,
        radius_mm=shape.radius * size if shape.kind in ROUND else None,
        half_angle_rad=shape.half_angle if shape.kind is ElementKind.CONE else None,
        covariance=covariance,
        dof=dof,
        sigma_mm=scale(found[:, kept], shape.kind, 0.0) * size,
        residual_mm=signed(found, shape.kind) * size,
        weight=settled.weights.min(axis=0),
        point_count=int(np.count_nonzero(kept)),
        arc_rad=arc_rad(shape, used)[0] if is_round else float("nan"),
        length_mm=length_along(shape, used) * size if shape.kind in WITH_AXIS else float("nan"),
    )


def shape_of(element: Element) -> Shape:
    """The ideal element alone, lengths in mm."""
    direction = np.array([0.0, 0.0, 1.0]) if element.direction is None else element.direction
    return Shape(element.kind, element.point_mm, direction, element.radius_mm or 0.0, element.half_angle_rad or 0.0)


def heights(element: Element, points_mm: Floats) -> Floats:
    """Place (n,) of points (n, 3) along the element's direction, from its point."""
    if element.direction is None:
        raise ValueError(f"{element.kind} has no direction")
    return along((points_mm - element.point_mm).T, element.direction)
