"""Edges of a mesh as the smooth surface has them, so that sections of facets are those of the surface.

A section of plain facets of 40 to the round has 0.4 % too little area.  Between two vertices with their normals runs
a cubic whose tangents have the lengths that follow a circle to the sixth power of the angle (Goldapp, Approximation
of circular arcs by cubic polynomials, 1991; from memory); between two places of a section, an arc.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.records import Bools, Floats, Ints

LEAST_COSINE = float(np.cos(np.pi / 4))  # between chord and tangent: a sharper turn is a corner, not a curve
SMALL_RAD = 1e-4  # below it the series of an arc is exact to rounding
NEWTON_STEPS = 6  # the cubic is nearly straight: it doubles its digits each time


@dataclass(frozen=True, eq=False)
class EdgeCurves:
    """All edges of a mesh as cubics.

    edge : (t, 3) the edge from each corner to the next;  ends : (e, 2) its vertices, lower first
    start_mm : (e, 3), and so on: ends, and what the cubic's inner points lie off its chord
    """

    edge: Ints
    ends: Ints
    start_mm: Floats
    end_mm: Floats
    first_off_mm: Floats
    second_off_mm: Floats

    def at(self, edge: Ints, share: Floats) -> Floats:
        """Places (n, 3) at ``share`` (n,) of the way along."""
        t = share[:, None]
        chord = (1 - t) * self.start_mm[edge] + t * self.end_mm[edge]
        place: Floats = chord + 3 * (1 - t) * t * ((1 - t) * self.first_off_mm[edge] + t * self.second_off_mm[edge])
        return place

    def crossing(self, edge: Ints, origin_mm: Floats, normal: Floats) -> Floats:
        """Share (n,) of the way at which each edge, whose ends lie on both sides, meets a plane."""
        height = np.stack([(self.start_mm[edge] - origin_mm) @ normal, (self.end_mm[edge] - origin_mm) @ normal])
        first, second = self.first_off_mm[edge] @ normal, self.second_off_mm[edge] @ normal
        t = height[0] / (height[0] - height[1])
        for _ in range(NEWTON_STEPS):
            value = (1 - t) * height[0] + t * height[1] + 3 * (1 - t) * t * ((1 - t) * first + t * second)
            slope = height[1] - height[0] + 3 * ((1 - 4 * t + 3 * t * t) * first + (2 * t - 3 * t * t) * second)
            is_steep = slope * (height[1] - height[0]) > 0
            t = np.clip(t - np.divide(value, slope, out=np.zeros_like(t), where=is_steep), 0.0, 1.0)
        share: Floats = t
        return share


def edge_curves(vertices_mm: Floats, triangles: Ints, corner_normal: Floats, is_smooth: Bools) -> EdgeCurves:
    """Curves of all edges; straight where only triangles that are not smooth (t,) meet.

    vertices_mm : (v, 3);  triangles : (t, 3);  corner_normal : (t, 3, 3) unit
    """
    starts, ends = triangles.ravel(), np.roll(triangles, -1, axis=1).ravel()
    low, high = np.minimum(starts, ends), np.maximum(starts, ends)
    key, edge = np.unique(low * len(vertices_mm) + high, return_inverse=True)
    pair = np.column_stack([key // len(vertices_mm), key % len(vertices_mm)])
    start, end = vertices_mm[pair[:, 0]], vertices_mm[pair[:, 1]]
    edge = edge.reshape(-1)
    own = np.flatnonzero(np.repeat(is_smooth, 3))
    normals = corner_normal.reshape(-1, 3), np.roll(corner_normal, -1, axis=1).reshape(-1, 3)
    is_turned = (starts != low)[own, None]
    at_low = np.where(is_turned, normals[1][own], normals[0][own])
    at_high = np.where(is_turned, normals[0][own], normals[1][own])
    chord = (end - start)[edge[own]]
    return EdgeCurves(
        edge=edge.reshape(-1, 3),
        ends=pair,
        start_mm=start,
        end_mm=end,
        first_off_mm=_mean_by(edge[own], _inner_off(chord, at_low), len(pair)),
        second_off_mm=_mean_by(edge[own], _inner_off(-chord, at_high), len(pair)),
    )


def _inner_off(chord: Floats, normal: Floats) -> Floats:
    """Inner control point (n, 3) at an end, less the third of the chord (n, 3) that leaves it."""
    length = np.linalg.norm(chord, axis=1)
    tangent = chord - np.einsum("ij,ij->i", chord, normal)[:, None] * normal
    along = np.linalg.norm(tangent, axis=1)
    cosine = np.divide(along, length, out=np.ones_like(length), where=length > 0)
    is_curve = (cosine > LEAST_COSINE) & (length > 0)
    reach = np.divide(2 * length, (1 + cosine) * np.maximum(along, 1e-300))
    off: Floats = np.where(is_curve[:, None], (reach[:, None] * tangent - chord) / 3, 0.0)
    return off


def _mean_by(group: Ints, values: Floats, count: int) -> Floats:
    total = np.column_stack([np.bincount(group, column, minlength=count) for column in values.T])
    number = np.bincount(group, minlength=count)
    mean: Floats = total / np.maximum(number, 1)[:, None]
    return mean


def turned_between(first: Floats, second: Floats, share: Floats) -> Floats:
    """Unit directions (n, 3) at ``share`` (n,) of the turn from ``first`` to ``second`` (n, 3), at even speed."""
    angle = np.arccos(np.clip(np.einsum("ij,ij->i", first, second), -1.0, 1.0))
    sine = np.sin(angle)
    is_apart = sine > 1e-9
    safe = np.where(is_apart, sine, 1.0)
    weight = [np.where(is_apart, np.sin(part * angle) / safe, part) for part in (1 - share, share)]
    mixed = weight[0][:, None] * first + weight[1][:, None] * second
    unit: Floats = mixed / np.maximum(np.linalg.norm(mixed, axis=1), 1e-12)[:, None]
    return unit


def arc_bulge(angle_rad: Floats) -> Floats:
    """Area between an arc and its chord, over the squared chord; angle : between chord and tangent, signed."""
    sine = np.sin(angle_rad)
    is_small = np.abs(angle_rad) < SMALL_RAD
    safe = np.where(is_small, 1.0, sine)
    bulge: Floats = np.where(is_small, angle_rad / 6, (angle_rad - sine * np.cos(angle_rad)) / (4 * safe**2))
    return bulge


def arc_length(angle_rad: Floats) -> Floats:
    """Length of an arc over its chord."""
    safe = np.where(np.abs(angle_rad) < SMALL_RAD, SMALL_RAD, angle_rad)
    length: Floats = safe / np.sin(safe)
    return length
