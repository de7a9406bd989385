"""Nominal and the piece as surfaces to measure metal to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.fasteners.records import Shell
from worker.measuring.samples import trusted_faces
from worker.records import Bools, Floats, Ints, Nominal, Samples
from worker.surface import SurfaceQuery


def nominal_shell(nominal: Nominal, label: Ints, is_left_out: Bools) -> Shell:
    """Nominal without some of its triangles.

    label : (m,) of each triangle, ``MOUTH`` where it bounds no metal;  is_left_out : (m,)
    """
    kept = np.flatnonzero(~is_left_out)
    return Shell(
        surface=SurfaceQuery(nominal.vertices_mm, nominal.triangles[kept]),
        label=label[kept],
        is_closed=nominal.is_watertight,
        table=trusted_faces(nominal),
        face=nominal.triangle_face[kept],
        off_mm=np.zeros(len(nominal.vertices_mm)),
        slack_mm=nominal.chord_tolerance_mm or 0.0,
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


def piece_shell(piece: Piece, label: Ints, is_left_out: Bools) -> Shell:
    """The piece without the triangles that are left out of nominal.

    label, is_left_out : (m,) by nominal triangle
    """
    samples, nominal = piece.samples, piece.nominal
    kept = kept_triangles(samples, is_left_out)
    source = samples.triangle_source[kept]
    return Shell(
        surface=SurfaceQuery(piece.points_mm, samples.triangles[kept]),
        label=label[source],
        is_closed=nominal.is_watertight,
        table=trusted_faces(nominal),
        face=nominal.triangle_face[source],
        off_mm=piece.off_mm,
        slack_mm=nominal.chord_tolerance_mm or 0.0,
    )


def kept_triangles(samples: Samples, is_left_out: Bools) -> Ints:
    """Sample triangles (k,) cut from nominal triangles that are not left out (m,)."""
    kept: Ints = np.flatnonzero(~is_left_out[samples.triangle_source])
    return kept
