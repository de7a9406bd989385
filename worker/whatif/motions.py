"""How points, triangles, faces and features go along with a move.

A skin goes rigidly, or along its own outward normals.  Where it borders on what stays, its vertices are shared,
so the triangles between the two stretch.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from worker.features.records import Feature, FeatureKind
from worker.measuring.analytic import exact_distance
from worker.measuring.corners import corner_shifts
from worker.measuring.samples import trusted_faces
from worker.records import Bools, Face, Floats, Ints, Nominal, SurfaceKind
from worker.rigid import RigidTransform

SAME_WAY = 1e-2  # of the largest eigenvalue: normals that lean less than about 10 degrees apart are one direction


@dataclass(frozen=True)
class Offset:
    """The skin goes along its outward normals; more than nothing adds material."""

    distance_mm: float


Motion = RigidTransform | Offset


def outward_normals(nominal: Nominal, triangle: Ints, points_mm: Floats) -> Floats:
    """Outward unit normals (n, 3) of nominal at points on its triangles: of the exact face where it is known.

    triangle : (n,) of nominal;  points_mm : (n, 3) on or near it, nominal frame
    """
    corners = nominal.vertices_mm[nominal.triangles[triangle]]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(cross, axis=1, keepdims=True)
    _, exact, is_exact = exact_distance(trusted_faces(nominal), nominal.triangle_face[triangle], points_mm)
    normals: Floats = np.where(is_exact[:, None], exact, cross / np.where(size > 0, size, 1.0))
    return normals


def shifted(points_mm: Floats, normals: Floats, motion: Motion) -> Floats:
    """Points (n, 3) taken along; normals : (n, 3) of the skin there, outward."""
    if isinstance(motion, Offset):
        moved: Floats = points_mm + motion.distance_mm * normals
        return moved
    return motion.apply(points_mm)


def moved_nominal(nominal: Nominal, is_moved: Bools, motion: Motion) -> Nominal:
    """Nominal with some of its triangles moved, vertices they share with others too.

    is_moved : (m,) triangles

    A face moves with its exact surface where all of it moves.  Where faces that move meet at an edge, an
    offset puts the edge at the offset of both.
    """
    vertices = nominal.vertices_mm.copy()
    own = np.unique(nominal.triangles[is_moved])
    if isinstance(motion, Offset):
        vertices[own] += motion.distance_mm * _mitre(nominal, np.flatnonzero(is_moved))[own]
    else:
        vertices[own] = motion.apply(vertices[own])
    staying = np.bincount(nominal.triangle_face, ~is_moved, minlength=len(nominal.faces))
    faces = tuple(face if staying[face.index] else moved_face(face, motion) for face in nominal.faces)
    return replace(nominal, vertices_mm=vertices, faces=faces)


def _mitre(nominal: Nominal, triangles: Ints) -> Floats:
    """Shift (v, 3) of each vertex that puts all the skins meeting in it one unit outward, the least there is."""
    corner = nominal.triangles[triangles].ravel()
    normals = outward_normals(nominal, np.repeat(triangles, 3), nominal.vertices_mm[corner])
    return outward_of_all(corner, normals, len(nominal.vertices_mm))


def outward_of_all(place: Ints, normals: Floats, count: int) -> Floats:
    """Shift (count, 3) of each place that puts all the skins meeting in it one unit outward, the least there is.

    place : (n,) of each skin;  normals : (n, 3) unit, outward

    Normals that lean less than about ten degrees apart are of one curved skin and are averaged.
    """
    return corner_shifts(place, normals, np.ones(len(normals)), count, flat_share=SAME_WAY)


def moved_face(face: Face, motion: Motion) -> Face:
    """The exact surface of a face that moves whole."""
    if isinstance(motion, RigidTransform):
        return replace(
            face,
            origin_mm=None if face.origin_mm is None else motion.apply(face.origin_mm),
            axis=None if face.axis is None else motion.turn(face.axis),
        )
    out = -motion.distance_mm if face.is_hole else motion.distance_mm
    if face.kind is SurfaceKind.PLANE and face.origin_mm is not None and face.axis is not None:
        return replace(face, origin_mm=face.origin_mm + motion.distance_mm * face.axis)
    if face.kind is SurfaceKind.TORUS and face.minor_radius_mm is not None:
        return replace(face, minor_radius_mm=face.minor_radius_mm + out)
    if face.radius_mm is None:
        return face
    return replace(face, radius_mm=face.radius_mm + out / float(np.cos(face.half_angle_rad or 0.0)))


def moved_feature(feature: Feature, motion: Motion) -> Feature:
    """The feature's element moved; a pattern keeps its circle when its holes are offset."""
    if isinstance(motion, RigidTransform):
        turned = feature.length_direction
        return replace(
            feature,
            point_mm=motion.apply(feature.point_mm),
            direction=None if feature.direction is None else motion.turn(feature.direction),
            ends_mm=None if feature.ends_mm is None else motion.apply(feature.ends_mm),
            length_direction=None if turned is None else motion.turn(turned),
        )
    if feature.kind is FeatureKind.PLANE and feature.direction is not None:
        return replace(feature, point_mm=feature.point_mm + motion.distance_mm * feature.direction)
    if feature.kind is FeatureKind.PATTERN:
        return replace(feature)
    out = -motion.distance_mm if feature.is_internal else motion.distance_mm
    lean = float(np.cos(feature.half_angle_rad or 0.0))
    return replace(
        feature,
        radius_mm=None if feature.radius_mm is None else feature.radius_mm + out / lean,
        width_mm=None if feature.width_mm is None else feature.width_mm + 2 * out,
        length_mm=None if feature.length_mm is None else feature.length_mm + 2 * out,
    )
