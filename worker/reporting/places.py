"""The places a reader can be shown: findings and characteristics, numbered, on the surface, on the right map."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from shared.report import CharacteristicRecord, Finding, Report, Vector
from worker.reporting.scene import Scene

ON_SURFACE_SHARE = 0.02  # of the part's size: a point this near the surface is shown where it is
CLEARLY_OFF = (0.85, 0.97)  # quantiles of what is off within the highlight


@dataclass(frozen=True)
class Place:
    """What a show button flies to; highlight is an index into the scene's."""

    point: Vector
    map: str
    highlight: int | None = None


@dataclass(frozen=True)
class ShownFinding:
    """A finding, its number in the pictures, and the place its button shows."""

    severity: str
    text: str
    point_mm: Vector | None
    place: Place | None
    number: int | None


@dataclass(frozen=True, eq=False)
class Places:
    """Places of one report in its scene."""

    report: Report
    scene: Scene

    def findings(self) -> list[ShownFinding]:
        """The findings in their order; those with a position are numbered."""
        shown, number = [], 0
        for finding in self.report.summary.findings:
            place = self._of_finding(finding)
            number += place is not None
            told = number if place is not None else None
            shown.append(ShownFinding(finding.severity, finding.text, finding.point_mm, place, told))
        return shown

    def of_characteristic(self, name: str) -> Place | None:
        """Where a characteristic is shown, None if it has no position."""
        line = self._lines[name]
        if line.point_mm is None:
            return None
        highlight = self._highlight(line)
        on_map = "wall" if line.kind == "wall_thickness" else "deviation"
        return Place(self._on_surface(line.point_mm, highlight), on_map, highlight)

    @cached_property
    def _lines(self) -> dict[str, CharacteristicRecord]:
        return {line.id: line for line in self.report.characteristics}

    def _of_finding(self, finding: Finding) -> Place | None:
        if finding.characteristic is not None:
            return self.of_characteristic(finding.characteristic)
        if finding.point_mm is None:
            return None
        spots = self.report.thickness.spots if self.report.thickness else []
        is_wall = any(finding.point_mm == spot.point_mm for spot in spots)
        return Place(finding.point_mm, "wall" if is_wall else "deviation")

    def _highlight(self, line: CharacteristicRecord) -> int | None:
        names = [entry.name for entry in self.scene.highlights]
        return next((names.index(name) for name in (line.id, line.region) if name is not None and name in names), None)

    def _on_surface(self, point: Vector, highlight: int | None) -> Vector:
        """The point itself if it lies on what is highlighted; else the nearest place there that is clearly off.

        A core's displacement is told at the middle of its hollow, where there is nothing to see.
        """
        if highlight is None or not self.scene.highlights[highlight].mask.any():
            return point
        mesh = self.scene.mesh
        members = np.flatnonzero(self.scene.highlights[highlight].mask)
        away = np.linalg.norm(mesh.points_mm[members] - np.array(point), axis=1)
        if away.min() < ON_SURFACE_SHARE * float(np.linalg.norm(np.ptp(mesh.points_mm, axis=0))):
            return point
        known = mesh.is_measured[members]
        chosen = members[away.argmin()]
        if known.any():  # clearly off, but not the one wildest vertex
            off = np.where(known, np.abs(mesh.deviation_mm[members]), -1.0)
            low, high = np.quantile(off[known], CLEARLY_OFF)
            chosen = members[np.where((off >= low) & (off <= high), away, np.inf).argmin()]
        x, y, z = (round(float(value), 6) for value in mesh.points_mm[chosen])
        return x, y, z
