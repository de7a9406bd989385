"""What of the surface near a placed part was seen, and how its noise enters the least clearance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shared.plan import Clearance
from worker.judging.measured import Measured
from worker.judging.mock_up_scene import Scenes, piece_mesh
from worker.judging.seen_share import gap_text
from worker.measuring.patches import Patch
from worker.measuring.statistics import EXTREME_SAMPLES, robust_extremes
from worker.mockup.distances import Gap, Target, gap_between
from worker.mockup.meshes import cut_out
from worker.records import Bools, Deviation, Floats, Ints

NEAR_MM = 1.0  # surface this much farther off than the nearest may be what truly counts; common practice, no source
NOISE_LIMIT = 2.0  # standard deviations: what stands out by more is no noise of a single sample
UNSEEN_POSITIONS = 24  # of a motion, at which surface that was not scanned is asked for


@dataclass(frozen=True, eq=False)
class Near:
    """Samples about the nearest place.

    rows : (n,) samples;  actual_mm, drawn_mm : (n,) how far each lies from the part, moved by its deviation and not
    """

    rows: Ints
    actual_mm: Floats
    drawn_mm: Floats


@dataclass(frozen=True, eq=False)
class Worst:
    """The nearest place, piece frame.

    direction : from what is cleared to the part
    """

    gap: Gap
    body: int
    position: float
    first_mm: Floats
    second_mm: Floats
    direction: Floats


def worst_place(found: Scenes) -> Worst:
    """Where the parts come nearest on the piece as measured."""
    scene = found.actual
    body, position = scene.worst
    gap, placed = scene.gap(body, position), scene.T_piece_target
    return Worst(
        gap, body, position, placed.apply(gap.first_mm), placed.apply(gap.second_mm), placed.turn(gap.direction)
    )


def nearest_sample(worst: Worst, measured: Measured) -> int:
    """The sample nearest to the place."""
    return int(np.argmin(((measured.piece_points_mm - worst.second_mm) ** 2).sum(axis=1)))


def near_place(found: Scenes, worst: Worst, measured: Measured) -> Near:
    """Samples that may be what truly comes nearest."""
    mesh = found.actual.movers[worst.body][0]
    T_part_piece = found.actual.moved(worst.body, worst.position).inverse()
    reach = max(worst.gap.clearance_mm, 0.0) + NEAR_MM
    points = piece_mesh(measured, is_drawn=False).sample_mm
    own = T_part_piece.apply(points)
    inside = ((own >= mesh.box_mm[0] - reach) & (own <= mesh.box_mm[1] + reach)).all(axis=1)
    rows = np.flatnonzero(inside & found.is_counted)
    actual = mesh.query.closest(own[rows]).distance_mm
    is_near = actual <= reach
    rows, actual = rows[is_near], actual[is_near]
    drawn = piece_mesh(measured, is_drawn=True).sample_mm[rows]
    return Near(rows, actual, mesh.query.closest(T_part_piece.apply(drawn)).distance_mm)


def noise_share_mm(near: Near | None, worst: Worst, measured: Measured) -> float:
    """What noise of single samples takes off the least: the rise to the mean of its place, as far as nominal has none.

    The place is as wide as four samples, as for walls.
    """
    deviation = measured.deviation
    if near is None or deviation is None or worst.gap.clearance_mm <= 0 or not len(near.rows):
        return 0.0
    area, extent = measured.samples.area_mm2[near.rows], EXTREME_SAMPLES * measured.samples.spacing_mm**2
    rises = [robust_extremes(lengths, area, extent)[0] - lengths.min() for lengths in (near.actual_mm, near.drawn_mm)]
    sigma = float(deviation.sigma_mm[near.rows[int(np.argmin(near.actual_mm))]])
    return float(np.clip(rises[0] - rises[1], 0.0, NOISE_LIMIT * sigma))


def seen_mask(near: Near | None, found: Scenes, measured: Measured) -> Bools | None:
    """Which samples the view shows: those near, or the region."""
    if near is None or found.is_counted is None:
        return None
    if not found.is_counted.all():
        return found.is_counted
    mask = np.zeros(len(measured.samples.face), dtype=bool)
    mask[near.rows] = True
    return mask


def gap_reason(line: Clearance, found: Scenes, worst: Worst, near: Near | None, measured: Measured) -> str | None:
    """Why the figure may not pass although it would."""
    parts = (*found.parts, *(() if found.against is None else (found.against,)))
    swept = found.actual.swept
    if found.against is not None and not any(part.is_on_piece for part in parts):
        return "none of the parts is placed on the piece, so this is a figure of the drawing"
    if swept.clearance_mm.min() >= line.least > swept.bound_mm:
        return (
            f"between the {len(swept.positions)} positions looked at the clearance may fall to {swept.bound_mm:.2f} mm"
        )
    deviation = measured.deviation
    if near is None or deviation is None:
        return None
    if not deviation.is_measured[nearest_sample(worst, measured)]:
        return "the surface that comes nearest was not scanned: the figure there is of nominal"
    area = measured.samples.area_mm2[near.rows]
    seen = float(area[deviation.is_measured[near.rows]].sum() / area.sum()) if len(area) else 1.0
    return gap_text(seen) or _unseen_text(line, found, measured)


def _unseen_patches(counted: Bools, deviation: Deviation, measured: Measured) -> list[Patch]:
    if not counted.all():
        return measured.net.patches(~deviation.is_measured & counted)
    return measured.once("unseen patches", lambda: measured.net.patches(~deviation.is_measured))


def _unseen_text(line: Clearance, found: Scenes, measured: Measured) -> str | None:
    """Whether surface that the scan did not show comes near at any of some positions of each part."""
    deviation, counted = measured.deviation, found.is_counted
    if deviation is None or counted is None:
        return None
    least_area = EXTREME_SAMPLES * measured.samples.spacing_mm**2
    unseen = np.zeros(len(counted), dtype=bool)
    for patch in _unseen_patches(counted, deviation, measured):
        unseen[patch.samples] = patch.area_mm2 >= least_area
    whole, reach = found.actual.target.whole, line.least + NEAR_MM
    near = whole.within(found.actual.swept_box_mm + np.array([[-reach], [reach]]))
    is_unseen = unseen[measured.samples.triangles[whole.source[near]]].all(axis=1)
    surface = cut_out(whole, near[is_unseen])
    if surface is None:
        return None
    positions = found.actual.swept.positions
    chosen = positions[np.linspace(0, len(positions) - 1, min(len(positions), UNSEEN_POSITIONS)).astype(np.int64)]
    nearest = min(
        gap_between(mesh, Target.all_of(surface), found.actual.moved(body, float(at))).clearance_mm
        for body, (mesh, _) in enumerate(found.actual.movers)
        for at in chosen
    )
    if nearest >= line.least + NEAR_MM:
        return None
    return f"surface that was not scanned comes within {max(nearest, 0.0):.2f} mm in nominal"
