"""Elements that touch: maximum inscribed, minimum circumscribed, and the plane tangent from outside."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from worker.fitting.fit import FitSettings, Start, fit_element, shape_of
from worker.fitting.minimax import REST, Minimax, Side, least_greatest
from worker.fitting.records import RADIUS_INDEX, Association, Element, ElementKind, NotFitted, Refusal
from worker.fitting.shapes import Shape, angles, distances, freedoms, signed
from worker.fitting.zones import zone_about
from worker.records import Floats

ENVELOPE_SETTINGS = FitSettings(is_robust=False, is_evened=False)  # what blocks a pin is no stray
ASSOCIATIONS = {Side.IN: Association.MAXIMUM_INSCRIBED, Side.OUT: Association.MINIMUM_CIRCUMSCRIBED}
NEAR_REST = 1e-5  # of the points' size: what is left goes by its square, and contacts are told apart at 1e-9
HALF_TURN = np.pi + 1e-6  # contacts within one half do not hold an inscribed circle


@dataclass(frozen=True, eq=False)
class _Asked:
    side: Side
    start: Start | None
    direction: Floats | None
    sigma_mm: float | None


@dataclass(frozen=True, eq=False)
class _Touch:
    """Points as columns (3, n) of unit size about their centroid (3,), and which side of them touches."""

    columns: Floats
    centre_mm: Floats
    size_mm: float
    side: Side
    is_direction_fixed: bool

    def told(self, found: Minimax) -> Shape:
        """The envelope in mm."""
        radius = found.shape.radius + self.side.value * found.worst
        return replace(found.shape, radius=radius).scaled(self.size_mm, self.centre_mm)


def maximum_inscribed(
    kind: ElementKind,
    points_mm: Floats,
    *,
    start: Start | None = None,
    direction: Floats | None = None,
    sigma_mm: float | None = None,
) -> Element | NotFitted:
    """Largest circle or cylinder with no point (n, 3), mm, inside: the actual mating size of a hole.

    direction : (3,) keeps the axis parallel to it (a datum of lower order); None leaves it free
    sigma_mm : standard deviation of one point; None takes the scatter about the least-squares element

    Every point counts, so give calmed points: the innermost of n noisy points lies some three or
    four sigma too far in.  The nearest maximum to the least-squares element is found.
    """
    return _enveloped(kind, points_mm, _Asked(Side.IN, start, direction, sigma_mm))


def minimum_circumscribed(
    kind: ElementKind,
    points_mm: Floats,
    *,
    start: Start | None = None,
    direction: Floats | None = None,
    sigma_mm: float | None = None,
) -> Element | NotFitted:
    """Smallest circle or cylinder with no point (n, 3), mm, outside: the actual mating size of a pin.

    Arguments as of ``maximum_inscribed``.
    """
    return _enveloped(kind, points_mm, _Asked(Side.OUT, start, direction, sigma_mm))


def touching_radius(element: Element, points_mm: Floats) -> float | None:
    """Radius, mm, of the envelope of points (n, 3), mm, next to one of much the same points; None if none is held.

    element : as :func:`maximum_inscribed` or :func:`minimum_circumscribed` gives it, its direction free
    """
    side = Side.IN if element.association is Association.MAXIMUM_INSCRIBED else Side.OUT
    touch = _touch(points_mm, side, element.kind is ElementKind.CIRCLE)
    found = _settled(shape_of(element), touch, NEAR_REST)
    return None if isinstance(found, NotFitted) else touch.told(found).radius


def tangent_plane(
    points_mm: Floats, *, outward: Floats, start: Start | None = None, sigma_mm: float | None = None
) -> Element | NotFitted:
    """The plane that touches points (n, 3), mm, from outside, material on the other side.

    outward : (3,) out of material

    Of all planes with no point outside, the one whose greatest distance from the points is least
    (the single-solution rule of ISO 5459:2011 for a plane that could rock): it is parallel to the
    minimum zone of flatness.  Every point counts, so give calmed points.
    """
    points_mm = np.asarray(points_mm, dtype=np.float64).reshape(-1, 3)
    outward = np.asarray(outward, dtype=np.float64) / np.linalg.norm(outward)
    first = fit_element(
        ElementKind.PLANE, points_mm, start=start or Start(_middle(points_mm), outward), settings=ENVELOPE_SETTINGS
    )
    if isinstance(first, NotFitted):
        return first
    zone = zone_about(first, points_mm)
    if isinstance(zone, NotFitted):
        return zone
    direction = zone.direction if zone.direction is not None else outward
    direction = direction if float(direction @ outward) > 0 else -direction
    shape = Shape(ElementKind.PLANE, zone.point_mm + zone.width_mm / 2 * direction, direction)
    shape = shape.placed_near(first.point_mm)
    sigma = first.sigma_mm if sigma_mm is None else sigma_mm
    own = _held_covariance(shape, points_mm[list(zone.contact_index)], sigma)
    return _touching(first, shape, points_mm, Association.TANGENT, own)


def _enveloped(kind: ElementKind, points_mm: Floats, asked: _Asked) -> Element | NotFitted:
    """The touching circle or cylinder next to the least-squares one."""
    if kind not in (ElementKind.CIRCLE, ElementKind.CYLINDER):
        raise ValueError(f"no envelope of {kind}")
    points_mm = np.asarray(points_mm, dtype=np.float64).reshape(-1, 3)
    first = _first(kind, points_mm, asked.start, asked.direction)
    if isinstance(first, NotFitted):
        return first
    touch = _touch(points_mm, asked.side, asked.direction is not None or kind is ElementKind.CIRCLE)
    found = _settled(shape_of(first), touch)
    if isinstance(found, NotFitted):
        return found
    sigma = first.sigma_mm if asked.sigma_mm is None else asked.sigma_mm
    own = _contact_covariance(found, touch, sigma)
    shape = touch.told(found).placed_near(first.point_mm)
    return _touching(first, shape, points_mm, ASSOCIATIONS[asked.side], own)


def _touch(points_mm: Floats, side: Side, is_direction_fixed: bool) -> _Touch:
    centre = points_mm.mean(axis=0)
    size = float(np.sqrt(((points_mm - centre) ** 2).sum(axis=1).mean()))
    return _Touch(np.ascontiguousarray((points_mm - centre).T) / size, centre, size, side, is_direction_fixed)


def _settled(begun: Shape, touch: _Touch, rest: float = REST) -> Minimax | NotFitted:
    """The nearest envelope to a shape, mm, or why there is none."""
    shape = begun.scaled(1 / touch.size_mm, -touch.centre_mm / touch.size_mm).placed_near(np.zeros(3))
    found = least_greatest(shape, touch.columns, lambda item: _basis(item, touch), touch.side, rest=rest)
    return _unheld(found, touch) or found


def _first(kind: ElementKind, points_mm: Floats, start: Start | None, direction: Floats | None) -> Element | NotFitted:
    """Least squares, along ``direction`` where that is fixed."""
    if direction is None:
        return fit_element(kind, points_mm, start=start, settings=ENVELOPE_SETTINGS)
    axis = np.asarray(direction, dtype=np.float64)
    begun = Start(_middle(points_mm), axis) if start is None else replace(start, direction=axis)
    return fit_element(kind, points_mm, start=begun, settings=replace(ENVELOPE_SETTINGS, is_direction_fixed=True))


def _middle(points_mm: Floats) -> Floats:
    """Centroid (3,); zero of none, which the fit then refuses."""
    return points_mm.mean(axis=0) if len(points_mm) else np.zeros(3)


def _basis(shape: Shape, touch: _Touch) -> Floats:
    """Freedoms (8, k) but the radius, and but shifts along the axis."""
    basis = freedoms(shape, is_direction_fixed=touch.is_direction_fixed)
    is_across = np.abs(shape.direction @ basis[:3]) < 0.5
    kept: Floats = basis[:, is_across & (basis[RADIUS_INDEX] == 0)]
    return kept


def _unheld(found: Minimax, touch: _Touch) -> NotFitted | None:
    """Refuse what could still move: contacts of an inscribed circle on one half only."""
    if not found.is_settled:
        return NotFitted(Refusal.NOT_SETTLED, "The envelope found no rest.")
    angle = np.sort(angles(found.shape, touch.columns[:, found.contact]))
    gap = float(np.diff(np.append(angle, angle[0] + 2 * np.pi)).max())
    if gap <= HALF_TURN:
        return None
    text = f"The points touch on {360 - np.degrees(gap):.0f} degrees of the round only"
    return NotFitted(Refusal.TOO_LITTLE_ARC, f"{text}: nothing holds the envelope from the other side.")


def _contact_covariance(found: Minimax, touch: _Touch, sigma_mm: float) -> Floats:
    """Covariance (8, 8): each contact point errs by ``sigma_mm`` on its own, and the envelope follows.

    The contacts' distances, linear in the motion and the radius, fix both; where there are more
    contacts than freedoms, as least squares of them would.
    """
    basis = np.column_stack([_basis(found.shape, touch), np.eye(8)[RADIUS_INDEX]])
    rows = np.column_stack([touch.side.value * found.cuts, -np.ones(len(found.cuts))])
    solved = np.linalg.pinv(rows, rcond=1e-6)
    units = np.array([touch.size_mm] * 3 + [1.0] * 3 + [touch.size_mm, 1.0])
    spread = units[:, None] * (basis @ solved) * (sigma_mm / touch.size_mm)
    covariance: Floats = spread @ spread.T
    return covariance


def _held_covariance(shape: Shape, contacts_mm: Floats, sigma_mm: float) -> Floats:
    """Covariance (8, 8) about the shape's point of the outer plane of a zone that contact points (m, 3) hold.

    Unknown are the plane's motion and the zone's width, which the inner contacts lie below it.
    """
    basis = freedoms(shape)
    offset = contacts_mm - shape.point
    depth = -(offset @ shape.direction)
    turns = -np.cross(offset, shape.direction)
    is_inner = depth > depth.max() / 2
    rows = np.column_stack([-np.ones(len(offset)), turns @ basis[3:6, 1:], is_inner])
    scale = np.maximum(np.abs(rows).max(axis=0), 1e-12)
    solved = (np.linalg.pinv(rows / scale, rcond=1e-6) / scale[:, None])[:-1]
    spread = basis @ solved * sigma_mm
    covariance: Floats = spread @ spread.T
    return covariance


def _touching(first: Element, shape: Shape, points_mm: Floats, association: Association, own: Floats) -> Element:
    """The envelope as an element: as unsure as its contacts and, on top, as the least-squares one."""
    return replace(
        first,
        association=association,
        point_mm=shape.point,
        direction=shape.direction,
        radius_mm=shape.radius if first.radius_mm is not None else None,
        covariance=first.covariance + own,
        residual_mm=signed(distances(shape, points_mm.T), shape.kind),
        weight=np.ones(len(points_mm)),
        point_count=len(points_mm),
    )
