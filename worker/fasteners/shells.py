"""Nominal and the piece as surfaces to measure metal to."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from worker.fasteners.records import Shell
from worker.measuring.samples import trusted_faces
from worker.records import Bools, Floats, Ints, Nominal, Samples
from worker.surface import SurfaceQuery, least_of_three


def nominal_shell(nominal: Nominal, label: Ints, is_left_out: Bools, *, surface: SurfaceQuery | None = None) -> Shell:
    """Nominal without some of its triangles.

    label : (m,) of each triangle, ``MOUTH`` where it bounds no metal;  is_left_out : (m,)
    surface : of nominal, where it is at hand
    """
    return Shell(
        surface=surface or SurfaceQuery(nominal.vertices_mm, nominal.triangles),
        label=label,
        is_closed=nominal.is_watertight,
        table=trusted_faces(nominal),
        face=nominal.triangle_face,
        off_mm=np.zeros(len(nominal.vertices_mm)),
        slack_mm=nominal.chord_tolerance_mm or 0.0,
        is_left_out=is_left_out,
    )


@dataclass(frozen=True, eq=False)
class Piece:
    """The piece as its samples have it.

    points_mm : (s, 3) samples where the scan put them;  off_mm : (s,) their deviation, 0 where nothing was measured
    """

    nominal: Nominal
    samples: Samples
    points_mm: Floats
    off_mm: Floats

    @cached_property
    def surface(self) -> SurfaceQuery:
        """All of it, to cast rays at."""
        return SurfaceQuery(self.points_mm, self.samples.triangles)


def piece_shell(piece: Piece, label: Ints, is_left_out: Bools) -> Shell:
    """The piece without the triangles that are left out of nominal; its triangles are the samples'.

    label, is_left_out : (m,) by nominal triangle
    """
    samples, nominal = piece.samples, piece.nominal
    source = samples.triangle_source
    return Shell(
        surface=piece.surface,
        label=label[source],
        is_closed=nominal.is_watertight,
        table=trusted_faces(nominal),
        face=nominal.triangle_face[source],
        off_mm=piece.off_mm,
        slack_mm=nominal.chord_tolerance_mm or 0.0,
        is_left_out=is_left_out[source],
    )


def surface_about(points_mm: Floats, triangles: Ints, kept: Ints, box_mm: Floats) -> tuple[SurfaceQuery, Ints] | None:
    """Triangles ``kept`` (k,) that meet a box (2, 3), and their numbers; None where none does."""
    meets = np.ones(len(kept), dtype=bool)
    for axis in range(3):
        corner = points_mm[:, axis][triangles[kept]]
        meets &= (least_of_three(corner) <= box_mm[1, axis]) & (-least_of_three(-corner) >= box_mm[0, axis])
    near = kept[meets]
    if not len(near):
        return None
    used, number = np.unique(triangles[near], return_inverse=True)
    return SurfaceQuery(points_mm[used], number.reshape(-1, 3).astype(np.int64)), near
