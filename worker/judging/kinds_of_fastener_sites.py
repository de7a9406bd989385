"""Where on a plane face a further fastener could go."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from shared.plan import Plan
from shared.plan.fasteners import FastenerSites
from shared.texts import cell_text
from shared.threads import parse_thread, tap_drill
from shared.threads.practice import least_edge_mm, least_metal_mm, least_spacing_mm
from worker.exhibits import Attachment, Column, Exhibits, Mark, Table
from worker.fasteners.holes import border_edges
from worker.fasteners.segments import Nearest
from worker.fasteners.shells import surface_about
from worker.fasteners.sites import (
    Face,
    SiteRule,
    SiteSettings,
    axis_spacing,
    edge_distance,
    grid_on,
    metal_round,
    plane_face,
    ranked_sites,
)
from worker.features.records import FeatureKind
from worker.judging.fastener_metal import around_of, calm_mm, names_of, piece_of
from worker.judging.finding import Finding, Unmeasured, plain_finding
from worker.judging.kinds_of_fastener import CAUTION
from worker.judging.measured import Measured
from worker.judging.uncertainty import deviation_sigma_mm, expanded_map_mm, scanner_sigma_mm
from worker.measuring.measured_feature import MeasuredFeature
from worker.measuring.regions import region_triangles
from worker.measuring.statistics import EXTREME_SAMPLES
from worker.records import Bools, Floats, Ints
from worker.surface import SurfaceQuery

SETTINGS = SiteSettings()
NEAR_MM = 25.0  # about the candidates, that is looked at first: walls round a fastener are some millimetres thick
COUNTING = "counting, against minima increased by U"
SITES_SHOWN = 20
PROVEN, UNSEEN, REFUSED = "site", "not proven", "no site"


def rule_of(line: FastenerSites) -> SiteRule:
    """What a site must keep, with the rules of the trade where the plan states nothing."""
    thread = parse_thread(line.thread)
    d = thread.diameter_mm
    return SiteRule(
        radius_mm=tap_drill(thread).diameter_mm / 2,
        depth_mm=line.depth,
        least_mm=least_metal_mm(d) if line.least is None else line.least,
        spacing_mm=least_spacing_mm(d) if line.spacing is None else line.spacing,
        edge_mm=least_edge_mm(d) if line.edge is None else line.edge,
    )


def face_of(line: FastenerSites, measured: Measured) -> Face | None:
    """The plane of the line's region in nominal; None where it is none."""
    region = measured.region(line.region)
    is_region = region_triangles(region, measured.samples, len(measured.nominal.triangles))
    return plane_face(measured.nominal, is_region, SETTINGS)


@dataclass(frozen=True, eq=False)
class _Map:
    """All candidates of one face.

    points_mm : (n, 3);  metal_mm, U_mm, edge_mm, spacing_mm : (n,);  nominal_mm : (n,) metal in the CAD
    toward : (n,) index into the names of surfaces
    is_kept, is_unseen, is_kept_nominal : (n,) all minima kept on the piece; an unseen surface is near; kept in the CAD
    """

    points_mm: Floats
    metal_mm: Floats
    U_mm: Floats
    nominal_mm: Floats
    edge_mm: Floats
    spacing_mm: Floats
    toward: Ints
    is_kept: Bools
    is_unseen: Bools
    is_kept_nominal: Bools
    pitch_mm: float


@dataclass(frozen=True, eq=False)
class _Ground:
    """What of the candidates (n,) of a face is the same for every thread: on the piece, and in the CAD."""

    points_mm: Floats
    pitch_mm: float
    edge_mm: Floats
    spacing_mm: Floats
    nominal_edge_mm: Floats
    nominal_spacing_mm: Floats


def fastener_sites(line: FastenerSites, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Count of places where the piece would keep every minimum round one more hole, each made larger by U.

    Places near surface that was not scanned are listed apart and not counted.
    """
    face = face_of(line, measured)
    deviation = measured.deviation
    if face is None or deviation is None:
        return Unmeasured("nothing was measured")
    member = measured.region(line.region).is_member
    if not deviation.is_measured[member].any():
        return Unmeasured(f"nothing of {line.region} was scanned", sample_mask=member, caution=CAUTION)
    rule = rule_of(line)
    found = _searched(face, rule, plan, measured)
    spots = (found.points_mm - face.point_mm) @ face.across.T
    sites = ranked_sites(spots, found.metal_mm, found.is_kept & ~found.is_unseen, rule.spacing_mm)
    doubtful = _apart(found, spots, sites, rule)
    in_nominal = ranked_sites(spots, found.nominal_mm, found.is_kept_nominal, rule.spacing_mm)
    exhibits = _exhibits((line, rule, face), found, (sites, doubtful), names_of(measured).names)
    wanted = line.required_count
    if wanted is not None and len(sites) < wanted <= len(sites) + len(doubtful):
        reason = (
            f"{len(sites)} sites are proven and {len(doubtful)} more lie where surface near them was not scanned: "
            f"scan there to decide on {wanted}"
        )
        return Unmeasured(reason, sample_mask=member, exhibits=exhibits, caution=CAUTION)
    return plain_finding(
        float(len(sites)),
        {COUNTING: 0.0},
        point_mm=found.points_mm[sites[0]] if len(sites) else face.point_mm,
        details={
            "not_proven_count": float(len(doubtful)),
            "candidate_count": float(len(found.points_mm)),
            "pitch_length_mm": found.pitch_mm,
            "drill_diameter_mm": 2 * rule.radius_mm,
            "metal_kept_length_mm": rule.least_mm,
            "spacing_kept_length_mm": rule.spacing_mm,
            "edge_kept_length_mm": rule.edge_mm,
        },
        sample_mask=member,
        nominal=float(len(in_nominal)),
        exhibits=exhibits,
        caution=CAUTION,
    )


def _apart(found: _Map, spots: Floats, sites: Ints, rule: SiteRule) -> Ints:
    """Sites that only unseen surface keeps from being proven, clear of those that are."""
    is_open = found.is_kept & found.is_unseen
    taken = axis_gap(spots, spots[sites])
    return ranked_sites(spots, found.metal_mm, is_open & (taken >= rule.spacing_mm), rule.spacing_mm)


def axis_gap(points_mm: Floats, others_mm: Floats) -> Floats:
    """Distance (n,) of points to the nearest of others, infinite without any."""
    if not len(others_mm):
        return np.full(len(points_mm), np.inf)
    gaps: Floats = np.linalg.norm(points_mm[:, None] - others_mm, axis=2).min(axis=1)
    return gaps


def _searched(face: Face, rule: SiteRule, plan: Plan, measured: Measured) -> _Map:
    """Every candidate with its distances, in nominal and on the piece."""
    nominal, label = measured.nominal, names_of(measured).label
    ground = _ground(face, measured)
    points = ground.points_mm
    samples, own = measured.samples, (face, rule)
    stated = _metal((nominal.vertices_mm, nominal.triangles), ~face.is_plane, points, own)
    begun = points + _face_shift_mm(face, measured) * face.normal
    is_kept = ~face.is_plane[samples.triangle_source]
    actual = _metal((piece_of(measured).points_mm, samples.triangles), is_kept, begun, own)
    U = _expanded_mm(actual.triangle, plan, measured)
    kept = (actual.distance_mm - U >= rule.least_mm) & (ground.edge_mm - U >= rule.edge_mm)
    return _Map(
        points_mm=points,
        metal_mm=actual.distance_mm,
        U_mm=U,
        nominal_mm=stated.distance_mm,
        edge_mm=ground.edge_mm,
        spacing_mm=ground.spacing_mm,
        toward=label[samples.triangle_source[actual.triangle]],
        is_kept=kept & (ground.spacing_mm - U >= rule.spacing_mm),
        is_unseen=_near_unseen(begun, face, rule, measured),
        is_kept_nominal=(stated.distance_mm >= rule.least_mm)
        & (ground.nominal_edge_mm >= rule.edge_mm)
        & (ground.nominal_spacing_mm >= rule.spacing_mm),
        pitch_mm=ground.pitch_mm,
    )


def _ground(face: Face, measured: Measured) -> _Ground:
    """Made once for each face."""

    def make() -> _Ground:
        points, pitch = grid_on(face, measured.nominal, SETTINGS)
        edges, _ = border_edges(around_of(measured).skin, face.is_plane, around_of(measured).is_round)
        return _Ground(
            points_mm=points,
            pitch_mm=pitch,
            edge_mm=edge_distance(points, face.normal, _piece_edges_mm(edges, measured)),
            spacing_mm=axis_spacing(points, *_axes(face, measured, is_piece=True)),
            nominal_edge_mm=edge_distance(points, face.normal, edges),
            nominal_spacing_mm=axis_spacing(points, *_axes(face, measured, is_piece=False)),
        )

    return measured.once(("ground of sites", face.is_region.tobytes()), make)


def _metal(mesh: tuple[Floats, Ints], is_kept: Bools, points_mm: Floats, asked: tuple[Face, SiteRule]) -> Nearest:
    """Least metal round holes from points (n, 3) to the kept triangles (m,) of a mesh, which are told by their number.

    Asked of what lies near the face first: metal no thicker than that reaches is that of the whole.
    """
    face, rule = asked
    kept = np.flatnonzero(is_kept)
    ends = np.concatenate([points_mm, points_mm - rule.depth_mm * face.normal, face.point_mm[None]])
    for margin in (NEAR_MM, np.inf):
        near = surface_about(*mesh, kept, np.stack([ends.min(axis=0) - margin, ends.max(axis=0) + margin]))
        if near is None:
            continue
        found = metal_round(near[0], points_mm, -face.normal, rule, SETTINGS.step_mm)
        if (found.distance_mm + rule.radius_mm <= margin).all():
            return replace(found, triangle=near[1][found.triangle])
    raise ValueError("a face without a solid behind it")


def _face_shift_mm(face: Face, measured: Measured) -> float:
    """Mean deviation of the region's samples that were seen, along its normal."""
    samples, deviation = measured.samples, measured.deviation
    if deviation is None:
        raise ValueError("nothing was measured")
    rows = _samples_on(face.is_region, measured) & deviation.is_measured
    return float(np.average(calm_mm(measured)[rows], weights=samples.area_mm2[rows])) if rows.any() else 0.0


def _samples_on(is_triangle: Bools, measured: Measured) -> Bools:
    """Samples (s,) on triangles of nominal (m,)."""
    samples = measured.samples
    is_on = np.zeros(len(samples.face), dtype=bool)
    is_on[samples.triangles[is_triangle[samples.triangle_source]].ravel()] = True
    return is_on


def _expanded_mm(triangle: Ints, plan: Plan, measured: Measured) -> Floats:
    """U (n,) of the metal that ends on these triangles of the samples."""
    deviation = measured.deviation
    if deviation is None:
        raise ValueError("nothing was measured")

    def make() -> Floats:
        sources = deviation_sigma_mm(plan, measured.nominal, measured.samples, measured.alignment, deviation)
        return np.asarray(expanded_map_mm(sources))

    expanded = measured.once(("expanded deviation", scanner_sigma_mm(plan)), make)
    corners = measured.samples.triangles[triangle]
    found: Floats = expanded[corners].max(axis=1)
    return found


def _piece_edges_mm(edges_mm: Floats, measured: Measured) -> Floats:
    """The face's edges (e, 2, 3) in pieces as long as a sample is wide, moved as the piece's samples there."""
    if not len(edges_mm):
        return edges_mm
    samples = measured.samples
    length = np.linalg.norm(edges_mm[:, 1] - edges_mm[:, 0], axis=1)
    parts = np.maximum(1, np.ceil(length / samples.spacing_mm).astype(np.int64))
    owner = np.repeat(np.arange(len(edges_mm)), parts)
    step = np.arange(len(owner)) - np.repeat(np.cumsum(parts) - parts, parts)
    share = np.stack([step, step + 1], axis=1) / parts[owner, None]
    way = (edges_mm[:, 1] - edges_mm[:, 0])[owner]
    cut = edges_mm[owner, 0][:, None] + share[..., None] * way[:, None]
    tree = measured.once("tree of samples", lambda: cKDTree(samples.points_mm))
    _, near = tree.query(cut.reshape(-1, 3))
    moved: Floats = cut + (piece_of(measured).points_mm - samples.points_mm)[near].reshape(cut.shape)
    return moved


def _axes(face: Face, measured: Measured, *, is_piece: bool) -> tuple[Floats, Floats]:
    """Points and directions (a, 3) of the axes of holes in the face; nominal's where one was not measured."""
    origins, ways = [], []
    for feature in measured.features:
        if feature.kind is not FeatureKind.HOLE or feature.direction is None or feature.ends_mm is None:
            continue
        is_square = abs(float(feature.direction @ face.normal)) >= SETTINGS.parallel_cosine
        reach = np.abs((feature.ends_mm - face.point_mm) @ face.normal).min()
        if not is_square or reach > 2 * (feature.radius_mm or 0.0):  # a countersink may lie between
            continue
        found = measured.measured_feature(feature) if is_piece else None
        if isinstance(found, MeasuredFeature) and found.element.direction is not None:
            origins.append(found.element.point_mm)
            ways.append(found.element.direction)
        else:
            origins.append(feature.point_mm)
            ways.append(feature.direction)
    return np.array(origins).reshape(-1, 3), np.array(ways).reshape(-1, 3)


def _near_unseen(points_mm: Floats, face: Face, rule: SiteRule, measured: Measured) -> Bools:
    """Candidates (n,) with surface near them that was not scanned; single missed samples do not count."""
    surface = measured.once("unseen surface", lambda: _unseen_surface(measured))
    if surface is None:
        return np.zeros(len(points_mm), dtype=bool)
    gap = metal_round(surface, points_mm, -face.normal, rule, SETTINGS.step_mm).distance_mm
    near: Bools = gap < rule.least_mm + SETTINGS.unseen_guard_mm
    return near


def _unseen_surface(measured: Measured) -> SurfaceQuery | None:
    """All patches that were not scanned and are wider than a few samples; None where there is none."""
    samples, deviation = measured.samples, measured.deviation
    if deviation is None:
        raise ValueError("nothing was measured")
    is_unseen = np.zeros(len(samples.face), dtype=bool)
    for patch in measured.once("unseen patches", lambda: measured.net.patches(~deviation.is_measured)):
        if patch.area_mm2 >= EXTREME_SAMPLES * samples.spacing_mm**2:
            is_unseen[patch.samples] = True
    triangles = samples.triangles[is_unseen[samples.triangles].all(axis=1)]
    return SurfaceQuery(samples.points_mm, triangles) if len(triangles) else None


def _exhibits(
    asked: tuple[FastenerSites, SiteRule, Face], found: _Map, sites: tuple[Ints, Ints], names: tuple[str, ...]
) -> Exhibits:
    line, rule, face = asked
    proven, doubtful = sites
    tables = [_table(f"Sites for {line.thread}, most metal first", found, proven, names)]
    if len(doubtful):
        tables.append(_table("Not proven: surface near them was not scanned", found, doubtful, names))
    marks = tuple(
        Mark(
            f"{line.thread} {rank + 1}",
            np.stack([found.points_mm[at], found.points_mm[at] - rule.depth_mm * face.normal]),
        )
        for rank, at in enumerate(proven[:SITES_SHOWN])
    )
    content = _csv(found, names)
    attachment = Attachment("sites.csv", "Every place that was looked at", "text/csv", content)
    return Exhibits(tables=tuple(tables), marks=marks, attachments=(attachment,))


def _table(title: str, found: _Map, rows: Ints, names: tuple[str, ...]) -> Table:
    columns = (
        *(Column(axis, "mm") for axis in "xyz"),
        Column("least metal", "mm"),
        Column("U", "mm", is_departure=True),
        Column("CAD", "mm"),
        Column("toward"),
        Column("to the edge", "mm"),
    )
    cells = tuple(
        (
            *map(float, found.points_mm[at]),
            float(found.metal_mm[at]),
            float(found.U_mm[at]),
            float(found.nominal_mm[at]),
            names[int(found.toward[at])],
            float(found.edge_mm[at]) if np.isfinite(found.edge_mm[at]) else None,
        )
        for at in rows[:SITES_SHOWN]
    )
    return Table(title, columns, cells)


def _csv(found: _Map, names: tuple[str, ...]) -> bytes:
    """The whole map; lengths in mm, part axes."""
    text = io.StringIO()
    out = csv.writer(text, lineterminator="\n")
    out.writerow(
        ["x_mm", "y_mm", "z_mm", "metal_mm", "U_mm", "cad_metal_mm", "edge_mm", "spacing_mm", "toward", "outcome"]
    )
    words = np.where(~found.is_kept, REFUSED, np.where(found.is_unseen, UNSEEN, PROVEN))
    lengths = (found.metal_mm, found.U_mm, found.nominal_mm, found.edge_mm, found.spacing_mm)
    for at, point in enumerate(found.points_mm):
        figures = [*point, *(column[at] for column in lengths)]
        written = [f"{value:.4f}" if np.isfinite(value) else "" for value in figures]
        out.writerow([*written, cell_text(names[int(found.toward[at])]), words[at]])
    return text.getvalue().encode()
