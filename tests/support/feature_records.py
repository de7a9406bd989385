"""Feature records for shapes whose faces state what they are, so that no detection is needed to test with them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from worker.features.records import Feature, FeatureKind, PatternKind
from worker.records import Face, Floats, Ints, Nominal


def plane_of(nominal: Nominal, face: int, name: str = "plane") -> Feature:
    """The plane of one face."""
    triangles = _triangles(nominal, face)
    corners = nominal.vertices_mm[nominal.triangles[triangles]]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(cross, axis=1)
    direction = cross.sum(axis=0)
    return Feature(
        id=f"{name}-{face}",
        kind=FeatureKind.PLANE,
        triangles=triangles,
        faces=np.array([face]),
        name=None,
        point_mm=np.average(corners.mean(axis=1), axis=0, weights=size),
        direction=direction / np.linalg.norm(direction),
        area_mm2=float(size.sum() / 2),
    )


def cylinder_of(nominal: Nominal, face: int, *, is_hole: bool = True) -> Feature:
    """The hole or boss of one face that carries its axis and radius."""
    own = nominal.faces[face]
    if own.axis is None or own.origin_mm is None or own.radius_mm is None:
        raise AssertionError("the face states no cylinder")
    triangles = _triangles(nominal, face)
    height = (nominal.vertices_mm[nominal.triangles[triangles].ravel()] - own.origin_mm) @ own.axis
    ends = own.origin_mm + np.outer([height.min(), height.max()], own.axis)
    kind = FeatureKind.HOLE if is_hole else FeatureKind.BOSS
    return Feature(
        id=f"{kind.value}-{face}",
        kind=kind,
        triangles=triangles,
        faces=np.array([face]),
        name=None,
        point_mm=ends.mean(axis=0),
        direction=own.axis,
        radius_mm=own.radius_mm,
        ends_mm=ends,
        is_internal=is_hole,
        is_through=True,
        arc_rad=2 * np.pi,
    )


def circle_pattern(members: tuple[Feature, ...], radius_mm: float) -> Feature:
    """Equal holes on a bolt circle."""
    return Feature(
        id="pattern-1",
        kind=FeatureKind.PATTERN,
        triangles=np.concatenate([member.triangles for member in members]),
        faces=np.concatenate([member.faces for member in members]),
        name=None,
        point_mm=np.mean([member.point_mm for member in members], axis=0),
        direction=members[0].direction,
        radius_mm=radius_mm,
        is_internal=True,
        members=tuple(member.id for member in members),
        pattern=PatternKind.CIRCLE,
    )


def slot_of(nominal: Nominal, flats: tuple[int, int], axes: tuple[Floats, Floats], length_mm: float) -> Feature:
    """A slot whose flats are two faces; ``axes`` are its depth direction and the way its ends lie apart."""
    first, second = (plane_of(nominal, face) for face in flats)
    return Feature(
        id="slot-1",
        kind=FeatureKind.SLOT,
        triangles=np.concatenate([first.triangles, second.triangles]),
        faces=np.array(flats),
        name=None,
        point_mm=(first.point_mm + second.point_mm) / 2,
        direction=axes[0],
        is_internal=True,
        width_mm=float(np.linalg.norm(first.point_mm - second.point_mm)),
        length_mm=length_mm,
        length_direction=axes[1],
    )


def _triangles(nominal: Nominal, face: int) -> Ints:
    return np.flatnonzero(nominal.triangle_face == face)


def together(parts: tuple[tuple[Nominal, Floats], ...]) -> Nominal:
    """Several nominals as one, each shifted by a vector (3,); faces are numbered on."""
    vertices: list[Floats] = []
    triangles: list[Ints] = []
    owner: list[Ints] = []
    faces: list[Face] = []
    for nominal, shift in parts:
        first_vertex, first_face = sum(len(part) for part in vertices), len(faces)
        vertices.append(nominal.vertices_mm + shift)
        triangles.append(nominal.triangles + first_vertex)
        owner.append(nominal.triangle_face + first_face)
        for face in nominal.faces:
            place = None if face.origin_mm is None else face.origin_mm + shift
            faces.append(replace(face, index=len(faces), origin_mm=place))
    chord = max(nominal.chord_tolerance_mm or 0.0 for nominal, _ in parts)
    return replace(
        parts[0][0],
        vertices_mm=np.concatenate(vertices),
        triangles=np.concatenate(triangles),
        triangle_face=np.concatenate(owner),
        faces=tuple(faces),
        chord_tolerance_mm=chord,
    )
