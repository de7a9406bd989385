"""Form (ISO 1101, minimum zone): flatness, straightness, roundness, cylindricity.

The zone is that of the likely surface, not of the scan's points: noise widens every range, by more
the more points there are, and what it adds is taken out again (``likely_surface``).

What the scanner's stated uncertainty of lengths does to form is not told by any statement: a scale
wrong as a whole leaves form alone, views joined a little wrong do not.  It is taken to grow like a
random walk with the distance, its variance in proportion to the feature's share of the part; common
practice of levelling and traverses, no source for scanners.  Short waves that a scanner bends into
every surface are not told from the piece's own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from shared.plan import Cylindricity, Flatness, Plan, Roundness, Straightness
from worker.features.records import Feature, FeatureKind
from worker.fitting.records import NotFitted
from worker.fitting.zones import zone_about
from worker.judging.distances import reach_of
from worker.judging.finding import Finding, Unmeasured, plain_finding
from worker.judging.kinds_of_size import samples_of, unmeasured_feature
from worker.judging.likely_surface import SureWidth, sure_width
from worker.judging.limits import unfit
from worker.judging.measured import Measured
from worker.judging.propagation import rng_of
from worker.judging.skin import ROUND_KINDS, Skin, gap_of, lines_of, sections, skin_of
from worker.judging.sources import RESOLUTION, SCANNER
from worker.judging.uncertainty import UNIFORM, scanner_sigma_mm
from worker.judging.widths import best_slope, least_diameter, least_range, least_range_sloped
from worker.measuring.measured_feature import MeasuredFeature
from worker.measuring.seen import NotMeasured
from worker.records import Floats, Ints

NOISE = "scan noise and sampling"
FOLDED = 1.4  # lengths of vectors near nothing scatter less than the vectors do (set on simulated pieces)
FormLine = Flatness | Straightness | Roundness | Cylindricity


@dataclass(frozen=True, eq=False)
class Seen:
    """A feature of the piece and its skin."""

    feature: Feature
    found: MeasuredFeature
    skin: Skin


def flatness(line: Flatness, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Least distance of two parallel planes that hold the surface."""
    seen = seen_skin(line, measured, (FeatureKind.PLANE,), "flatness is of planes")
    if isinstance(seen, Unmeasured):
        return seen
    motions = (seen.skin.place_mm - seen.skin.element.point_mm) @ seen.skin.frame[:2].T
    return _of_whole(seen, motions, plan, measured)


def cylindricity(line: Cylindricity, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Least difference of radius of two coaxial cylinders that hold the surface."""
    seen = seen_skin(line, measured, ROUND_KINDS, "cylindricity is of holes and bosses")
    if isinstance(seen, Unmeasured):
        return seen
    return _of_whole(seen, round_motions(seen.skin), plan, measured)


def roundness(line: Roundness, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Least difference of radius of two concentric circles that hold a section square to the axis, at its worst.

    Sections are as thick as it takes to see the surface in them; ``section_mm`` says how thick.
    """
    seen = seen_skin(line, measured, ROUND_KINDS, "roundness is of holes and bosses")
    if isinstance(seen, Unmeasured):
        return seen
    skin = seen.skin
    groups = sections(skin, has_rim=True)
    if not groups:
        return _too_little(seen, "no section of it shows two thirds of its round", measured)
    motions = round_motions(skin)[:, :2]

    def widths(heights: Floats) -> Floats:
        return np.stack([least_range(heights[:, group], motions[group]) for group in groups])

    worst = int(np.argmax(widths(skin.surfaces.mean_mm[None])[:, 0]))
    sure = sure_width(skin.surfaces, lambda heights: widths(heights).max(axis=0))
    told = {"section_count": float(len(groups)), "section_mm": skin.band_mm}
    return _finding(seen, sure, groups[worst], (plan, measured), told)


def straightness(line: Straightness, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Of an axis: the least cylinder that holds the centres of its sections; of lines: the worst line.

    Lines of a cylinder run along its axis; those of a plane along its length and across it, both ways.
    """
    if line.of == "axis":
        seen = seen_skin(line, measured, ROUND_KINDS, "an axis is had by holes and bosses")
        return seen if isinstance(seen, Unmeasured) else _axis_straightness(seen, plan, measured)
    seen = seen_skin(line, measured, (FeatureKind.PLANE, *ROUND_KINDS), "lines are had by planes, holes and bosses")
    return seen if isinstance(seen, Unmeasured) else _line_straightness(seen, plan, measured)


def _axis_straightness(seen: Seen, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    skin = seen.skin
    groups = sections(skin, has_rim=True)
    if len(groups) < 4:
        return _too_little(seen, f"only {len(groups)} sections of it show two thirds of their round", measured)
    along = _along(skin)
    heights_at = np.array([along[group].mean() for group in groups])
    to_centre = [_centre_of(skin, group) for group in groups]

    def centres(heights: Floats) -> Floats:
        parts = [heights[:, group] @ solve.T for group, solve in zip(groups, to_centre, strict=True)]
        return np.stack(parts, axis=2)

    sure = sure_width(skin.surfaces, lambda heights: least_diameter(centres(heights), heights_at))
    sure = replace(sure, sigma_mm=FOLDED * sure.sigma_mm)
    own = centres(skin.surfaces.mean_mm[None])[0]
    basis = np.column_stack([np.ones(len(heights_at)), heights_at])
    off = own - (basis @ np.linalg.lstsq(basis, own.T, rcond=None)[0]).T
    worst = int(np.argmax(np.linalg.norm(off, axis=0)))
    told = {"section_count": float(len(groups)), "section_mm": skin.band_mm}
    return _finding(seen, sure, groups[worst], (plan, measured), told)


def _line_straightness(seen: Seen, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    skin = seen.skin
    if seen.feature.kind is FeatureKind.PLANE:
        first, second = (skin.place_mm @ way for way in skin.frame[:2])
        lines = [(group, first) for group in lines_of(skin.band)] + [(group, second) for group in lines_of(skin.sector)]
    else:
        along = _along(skin)
        lines = [(group, along) for group in lines_of(skin.sector)]

    def widths(heights: Floats) -> Floats:
        return np.stack([least_range_sloped(heights[:, group], at[group]) for group, at in lines])

    worst = int(np.argmax(widths(skin.surfaces.mean_mm[None])[:, 0]))
    group, at = lines[worst]
    height = skin.surfaces.mean_mm[group]
    rest = height - best_slope(height, at[group]) * at[group]
    peak = group[np.argsort(-np.abs(rest - (rest.max() + rest.min()) / 2), kind="stable")]
    sure = sure_width(skin.surfaces, lambda heights: widths(heights).max(axis=0))
    return _finding(seen, sure, peak, (plan, measured), {"line_count": float(len(lines))})


def _of_whole(seen: Seen, motions: Floats, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Form of the whole surface against a zone that may follow its motions."""
    skin = seen.skin
    zone = zone_about(skin.element, skin.points_mm())
    if isinstance(zone, NotFitted):
        return _too_little(seen, zone.reason, measured)
    sure = sure_width(skin.surfaces, lambda heights: least_range(heights, motions), zone.width_mm)
    contacts = np.array(zone.contact_index, dtype=np.int64)
    far = contacts[np.argsort(-np.abs(skin.surfaces.mean_mm[contacts]), kind="stable")]
    told = {"contact_count": float(len(contacts))}
    return _finding(seen, sure, far, (plan, measured), told)


def _finding(
    seen: Seen, sure: SureWidth, worst: Ints, context: tuple[Plan, Measured], told: dict[str, float]
) -> Finding:
    """The finding of a form; of the sites in ``worst`` the first tells most."""
    plan, measured = context
    return plain_finding(
        sure.width_mm,
        {NOISE: sure.sigma_mm, **form_budget(seen.feature, plan, measured)},
        least=0.0,
        point_mm=seen.skin.place_mm[worst[0]],
        details={"noise_taken_out_mm": sure.widening_mm, **told, **seen.skin.details(seen.found)},
        sample_mask=samples_of(seen.feature, measured),
        gap=gap_of(seen.found),
    )


def form_budget(feature: Feature, plan: Plan, measured: Measured) -> dict[str, float]:
    """What scanner and file add to a form: see the head of this module."""
    whole = float(np.linalg.norm(np.ptp(measured.nominal.vertices_mm, axis=0)))
    size = max(reach_of(feature, measured.nominal), 2 * (feature.radius_mm or 0.0))
    share = min(1.0, size / whole) if whole > 0 else 1.0
    return {
        SCANNER: scanner_sigma_mm(plan) * float(np.sqrt(share)),
        RESOLUTION: UNIFORM * measured.quantum_mm,
    }


def seen_skin(line: FormLine, measured: Measured, kinds: tuple[FeatureKind, ...], what: str) -> Seen | Unmeasured:
    """The line's feature with its skin.

    Raises
    ------
    PlanInvalid
        If the feature is none of ``kinds``, of which ``what`` says why they alone will do.

    """
    where = f"characteristic {line.id}"
    feature = measured.feature(line.feature, where)
    if feature.kind not in kinds:
        raise unfit(where, f"{what}, {feature.id} is a {feature.kind.value}", "Pick another feature.")
    found = measured.measured_feature(feature)
    if isinstance(found, NotMeasured):
        return unmeasured_feature(found, feature, measured)
    skin = skin_of(found, measured.nominal, rng=rng_of(0, line.id))
    if isinstance(skin, str):
        return Unmeasured(skin, point_mm=feature.point_mm, sample_mask=samples_of(feature, measured))
    return Seen(feature, found, skin)


def round_motions(skin: Skin) -> Floats:
    """(p, 4) how heights round an axis change as it shifts and tilts."""
    ways = skin.normal @ skin.frame[:2].T
    along = _along(skin)
    return np.column_stack([ways, along[:, None] * ways])


def _along(skin: Skin) -> Floats:
    along: Floats = (skin.place_mm - skin.element.point_mm) @ skin.frame[2]
    return along / max(float(np.ptp(along)) / 2, 1e-9)


def _centre_of(skin: Skin, group: Ints) -> Floats:
    """(2, g) from heights of a section to its least-squares centre, across the axis."""
    ways = skin.normal[group] @ skin.frame[:2].T
    solve: Floats = np.linalg.pinv(np.column_stack([np.ones(len(group)), ways]))[1:]
    return solve


def _too_little(seen: Seen, reason: str, measured: Measured) -> Unmeasured:
    return Unmeasured(
        f"{seen.feature.id}: {reason}",
        point_mm=seen.feature.point_mm,
        sample_mask=samples_of(seen.feature, measured),
    )
