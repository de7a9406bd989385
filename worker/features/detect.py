"""Features of nominal: from its B-rep where it has one, else from its facets."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from worker.features.joining import joined
from worker.features.numbering import numbered
from worker.features.patches import Patch, brep_patches, is_brep, owners
from worker.features.patterns import find_patterns
from worker.features.records import Feature, FeatureKind
from worker.features.rounds import Reach, reach_of, smooth_border_share, solid_angle_sr
from worker.features.segment import mesh_patches
from worker.features.settings import FULL_TURN, DetectSettings
from worker.features.skin import Skin, canonical, skin_of
from worker.features.slots import Slot, find_slots
from worker.records import Floats, Ints, Nominal, SurfaceKind


def detect_features(nominal: Nominal, *, settings: DetectSettings | None = None) -> tuple[Feature, ...]:
    """Planes, holes, bosses, cones, spheres, slots and patterns of nominal, numbered; none give an empty tuple.

    A B-rep's own planes, cylinders, cones and spheres are taken as they are stated, pieces of one
    element joined; a nominal that is a mesh is cut into such pieces first.  Fillets are no features:
    cylinders and cones count from 120 degrees of arc, and balls unless they are smooth corners.
    """
    settings = settings or DetectSettings()
    skin = skin_of(nominal)
    patches = joined(brep_patches(nominal) if is_brep(nominal) else mesh_patches(skin), skin, settings)
    owner = owners(patches, len(skin.triangles))
    slots = find_slots(patches, owner, skin, settings)
    used = {part for slot in slots for part in slot.parts}
    drafts = [_plain(patch, owner, skin, settings) for index, patch in enumerate(patches) if index not in used]
    for number, slot in enumerate(slots):
        owner[slot.body.triangles] = len(patches) + number
        drafts.append(_of_slot(slot, owner, skin, settings))
    found = numbered([_named(draft, nominal) for draft in drafts if draft is not None])
    return (*found, *numbered(find_patterns(found, settings)))


def _named(feature: Feature, nominal: Nominal) -> Feature:
    names = {nominal.faces[face].name for face in feature.faces.tolist()}
    return replace(feature, name=names.pop()) if len(names) == 1 else feature


def _plain(patch: Patch, owner: Ints, skin: Skin, settings: DetectSettings) -> Feature | None:
    if patch.kind is SurfaceKind.PLANE:
        return _plane(patch, skin)
    if patch.kind is SurfaceKind.SPHERE:
        return _sphere(patch, owner, skin, settings)
    return _round(patch, owner, skin, settings)


def _plane(patch: Patch, skin: Skin) -> Feature:
    area = skin.area_mm2[patch.triangles]
    middles = skin.vertices_mm[skin.triangles[patch.triangles]].mean(axis=1)
    total = float(area.sum())
    centroid = (middles * area[:, None]).sum(axis=0) / total if total > 0 else middles.mean(axis=0)
    return Feature(
        id="",
        kind=FeatureKind.PLANE,
        triangles=patch.triangles,
        faces=patch.faces,
        name=None,
        point_mm=centroid - float((centroid - patch.point_mm) @ patch.direction) * patch.direction,
        direction=patch.direction,
        area_mm2=total,
        form_mm=patch.form_mm(skin),
    )


def _sphere(patch: Patch, owner: Ints, skin: Skin, settings: DetectSettings) -> Feature | None:
    seen = solid_angle_sr(skin.vertices_mm[skin.triangles[patch.triangles]], patch.point_mm)
    is_small = seen < settings.corner_solid_angle_sr
    if is_small and smooth_border_share(patch, owner, skin, settings.smooth_rad) > settings.smooth_border_share:
        return None
    cap = float(2 * np.arccos(np.clip(1 - seen / FULL_TURN, -1.0, 1.0)))  # of the round cap of equal area
    if cap < settings.least_cap_rad:
        return None
    return Feature(
        id="",
        kind=FeatureKind.SPHERE,
        triangles=patch.triangles,
        faces=patch.faces,
        name=None,
        point_mm=patch.point_mm,
        direction=None,
        radius_mm=patch.radius_mm,
        is_internal=patch.is_internal,
        arc_rad=cap,
        area_mm2=float(skin.area_mm2[patch.triangles].sum()),
        form_mm=patch.form_mm(skin),
    )


def _round(patch: Patch, owner: Ints, skin: Skin, settings: DetectSettings) -> Feature | None:
    reach = reach_of(patch, owner, skin, settings)
    if reach.arc_rad < settings.least_arc_rad:
        return None
    is_cone = patch.kind is SurfaceKind.CONE
    kind = FeatureKind.CONE if is_cone else FeatureKind.HOLE if patch.is_internal else FeatureKind.BOSS
    is_hole = kind is FeatureKind.HOLE
    direction = patch.direction if is_cone else _axis(patch, reach) if is_hole else canonical(patch.direction)
    ends = _ends(patch, reach, direction)
    middle = ends.mean(axis=0)
    along = float((middle - patch.point_mm) @ patch.direction)
    return Feature(
        id="",
        kind=kind,
        triangles=patch.triangles,
        faces=patch.faces,
        name=None,
        point_mm=middle,
        direction=direction,
        radius_mm=patch.radius_mm + along * float(np.tan(patch.half_angle_rad)),
        half_angle_rad=patch.half_angle_rad if is_cone else None,
        ends_mm=ends,
        is_internal=patch.is_internal,
        is_through=reach.is_low_open and reach.is_high_open if is_hole else None,
        arc_rad=reach.arc_rad,
        area_mm2=float(skin.area_mm2[patch.triangles].sum()),
        form_mm=patch.form_mm(skin),
    )


def _of_slot(slot: Slot, owner: Ints, skin: Skin, settings: DetectSettings) -> Feature:
    body = slot.body
    reach = reach_of(body, owner, skin, settings)
    direction = _axis(body, reach)
    ends = _ends(body, reach, direction)
    return Feature(
        id="",
        kind=FeatureKind.SLOT,
        triangles=body.triangles,
        faces=body.faces,
        name=None,
        point_mm=ends.mean(axis=0),
        direction=direction,
        ends_mm=ends,
        is_internal=True,
        is_through=reach.is_low_open and reach.is_high_open,
        arc_rad=FULL_TURN,
        width_mm=2 * body.radius_mm,
        length_mm=slot.centre_distance_mm + 2 * body.radius_mm,
        length_direction=slot.along,
        area_mm2=float(skin.area_mm2[body.triangles].sum()),
        form_mm=slot.form_mm,
    )


def _axis(patch: Patch, reach: Reach) -> Floats:
    """Out of the only mouth; else with the largest component positive."""
    if reach.is_high_open == reach.is_low_open:
        return canonical(patch.direction)
    return patch.direction if reach.is_high_open else -patch.direction


def _ends(patch: Patch, reach: Reach, direction: Floats) -> Floats:
    ends = patch.point_mm + np.array([[reach.low_mm], [reach.high_mm]]) * patch.direction
    return ends if direction @ patch.direction > 0 else ends[::-1].copy()
