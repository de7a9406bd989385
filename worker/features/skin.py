"""The triangles of nominal and who borders whom."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.records import Floats, Ints, Nominal


@dataclass(frozen=True, eq=False)
class Skin:
    """Triangles with their normals and neighbours, nominal frame.

    vertices_mm : (n, 3);  triangles : (m, 3)
    normals : (m, 3) unit, out of material; zero for a triangle without area
    area_mm2 : (m,)
    neighbours : (m, 3) int64, the triangle across the edge from corner k to corner k + 1, -1 at a
        border and where more than two triangles share an edge
    """

    vertices_mm: Floats
    triangles: Ints
    normals: Floats
    area_mm2: Floats
    neighbours: Ints


def skin_of(nominal: Nominal) -> Skin:
    """Normals, areas and neighbours of every triangle; an empty nominal gives empty arrays."""
    vertices = np.asarray(nominal.vertices_mm, dtype=np.float64).reshape(-1, 3)
    triangles = np.asarray(nominal.triangles, dtype=np.int64).reshape(-1, 3)
    corner = vertices[triangles[:, 0]]
    cross = np.cross(vertices[triangles[:, 1]] - corner, vertices[triangles[:, 2]] - corner)
    length = lengths(cross)
    normals = np.divide(cross, length[:, None], out=np.zeros_like(cross), where=length[:, None] > 0)
    return Skin(vertices, triangles, normals, length / 2, _neighbours(triangles, len(vertices)))


def _neighbours(triangles: Ints, vertex_count: int) -> Ints:
    start, end = triangles.ravel(), triangles[:, [1, 2, 0]].ravel()
    key = np.minimum(start, end) * vertex_count + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    ordered = key[order]
    begin = np.flatnonzero(np.r_[True, ordered[1:] != ordered[:-1]]) if len(key) else np.empty(0, dtype=np.int64)
    pair = begin[np.diff(np.append(begin, len(key))) == 2]
    neighbours = np.full(len(key), -1, dtype=np.int64)
    neighbours[order[pair]] = order[pair + 1] // 3
    neighbours[order[pair + 1]] = order[pair] // 3
    return neighbours.reshape(-1, 3)


def lengths(vectors: Floats) -> Floats:
    """(n,) lengths of (n, 3) vectors."""
    result: Floats = np.sqrt(np.einsum("ij,ij->i", vectors, vectors))
    return result


def unit(vectors: Floats) -> Floats:
    """(n, 3) unit vectors; zero stays zero."""
    length = lengths(vectors)
    result: Floats = np.divide(vectors, length[:, None], out=np.zeros_like(vectors), where=length[:, None] > 0)
    return result


def across(direction: Floats) -> Floats:
    """(2, 3) two unit vectors square to ``direction`` (3,) and each other, right-handed with it."""
    first = np.cross(direction, np.eye(3)[int(np.argmin(np.abs(direction)))])
    first = first / np.linalg.norm(first)
    return np.stack([first, np.cross(direction, first)])


def canonical(direction: Floats) -> Floats:
    """The same line's direction (3,) with its largest component positive; of equal ones the first decides."""
    size = np.abs(direction)
    leading = int(np.flatnonzero(size > size.max() - 1e-4)[0])
    signed: Floats = direction if direction[leading] > 0 else -direction
    return signed + 0.0


def ragged(starts: Ints, counts: Ints) -> Ints:
    """Indices of several runs, one after the other: starts[k], starts[k] + 1, ... counts[k] of them."""
    total = int(counts.sum())
    if not total:
        return np.empty(0, dtype=np.int64)
    shift = np.repeat(starts - np.concatenate([[0], np.cumsum(counts)[:-1]]), counts)
    result: Ints = shift + np.arange(total)
    return result
