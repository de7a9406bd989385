"""The short side of a port's bend: how tight the wall turns where the line bends most."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from worker.ports.centreline import Line, arc_lengths
from worker.ports.piece import PortPiece
from worker.ports.sections import Port

LEAST_PLACES = 5  # of the piece's own line within reach of the bend: fewer do not show a radius


@dataclass(frozen=True)
class Bend:
    """The tightest place of the short side.

    radius_mm : of the wall there, along the port: that of the centreline less the section's reach towards its middle
    along_mm : where, along nominal's centreline;  section : of ``Port.sections``
    """

    radius_mm: float
    along_mm: float
    section: int


@dataclass(frozen=True)
class PieceBend:
    """The same place of the piece, with its standard uncertainty from scan noise and what was not seen."""

    radius_mm: float
    sigma_mm: float


def short_side(port: Port) -> Bend | None:
    """Where nominal's short side is tightest; None of a straight port."""
    found: Bend | None = None
    for index, section in enumerate(port.sections):
        radius, inward = port.line.bend(section.along_mm)
        if not np.isfinite(radius):
            continue
        inner = radius - section.outline.reach_mm(inward)
        if found is None or inner < found.radius_mm:
            found = Bend(inner, section.along_mm, index)
    return found


def piece_short_side(port: Port, piece: PortPiece, bend: Bend) -> PieceBend | None:
    """The piece's short side where nominal's is tightest; None where its line or its wall was not measured there."""
    outline, window = piece.outlines[bend.section], port.line.window_mm
    own = [index for index, section in enumerate(port.sections) if abs(section.along_mm - bend.along_mm) <= 2 * window]
    if len(own) < LEAST_PLACES or not piece.is_measured[own].all():
        return None
    places = np.array([port.sections[index].outline.centroid_mm + piece.offset_mm[index] for index in own])
    along = arc_lengths(places)
    line = Line(places, along, window)
    radius, inward = line.bend(float(along[own.index(bend.section)]))
    if not np.isfinite(radius):
        return None
    middle = piece.offset_covariance_mm2[bend.section]
    half = line.bend_reach_mm
    curvature_sigma = np.sqrt(6 * float(inward @ middle @ inward)) / half**2  # of places one, minus two, and one
    return PieceBend(radius - outline.reach_mm(inward), float(radius**2 * curvature_sigma))
