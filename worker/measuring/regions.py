"""The named parts of nominal's surface that a plan speaks of."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from shared.errors import PlanInvalid
from shared.plan import Plan, RegionChoice
from worker.features.find import find_feature
from worker.features.records import Feature
from worker.records import Body, Bools, Ints, Nominal, Region, Samples
from worker.surface import SurfaceQuery

CORE_TOLERANCE_SHARE = 1e-3  # of the part's diagonal: cores and part come from one model, apart by tessellation only
OPPOSED_COSINE = -0.5  # the core's surface faces the part's within 60 degrees


@dataclass(frozen=True, eq=False)
class Places:
    """What regions can be chosen from."""

    nominal: Nominal
    samples: Samples
    bodies: tuple[Body, ...] = ()
    features: tuple[Feature, ...] = ()


def choose_regions(plan: Plan, places: Places) -> tuple[Region, ...]:
    """One region per choice of the plan, in the plan's order.

    plan : lengths in millimetres already

    Raises
    ------
    PlanInvalid
        If a face, face name, feature or core is not there, or a region holds no sample.

    """
    regions: list[Region] = []
    faults: list[str] = []
    for number, choice in enumerate(plan.regions):
        try:
            regions.append(_region(choice, places))
        except PlanInvalid as error:
            faults.append(f"regions[{number}] '{choice.name}': {error.message}")
    if faults:
        raise PlanInvalid(
            "The plan names places this part does not have: " + "; ".join(faults) + ".",
            advice="Correct these regions and send the plan again.",
            faults=faults,
        )
    return tuple(regions)


def core_regions(nominal: Nominal, samples: Samples, bodies: tuple[Body, ...]) -> tuple[Region, ...]:
    """The surface each core body leaves in the part, under the core's own name; one that meets none has no region."""
    found = [Region(body.name, "core", _on_body(body, nominal, samples)) for body in bodies if body.role == "core"]
    return tuple(region for region in found if region.is_member.any())


def region_triangles(region: Region, samples: Samples, triangle_count: int) -> Bools:
    """Triangles of nominal (m,) more than half of whose samples' triangles lie in the region."""
    inside = region.is_member[samples.triangles].sum(axis=1) / 3
    total = np.bincount(samples.triangle_source, minlength=triangle_count)
    member = np.bincount(samples.triangle_source, inside, minlength=triangle_count)
    is_inside: Bools = member > 0.5 * total
    return is_inside


def feature_samples(feature: Feature, samples: Samples, triangle_count: int) -> Bools:
    """Which samples (s,) lie on a feature."""
    return _on_triangles(feature.triangles, samples, triangle_count)


def _on_triangles(triangles: Ints, samples: Samples, triangle_count: int) -> Bools:
    is_own = np.zeros(triangle_count, dtype=bool)
    is_own[triangles] = True
    member = np.zeros(len(samples.face), dtype=bool)
    member[samples.triangles[is_own[samples.triangle_source]].ravel()] = True
    return member


def _region(choice: RegionChoice, places: Places) -> Region:
    for source, choose in _CHOOSERS.items():
        if getattr(choice, source) is not None:
            is_member = choose(choice, places)
            if not is_member.any():
                raise _unknown("it holds nothing of the part's surface")
            return Region(choice.name, source, is_member)
    raise ValueError("a region choice without a way of choosing")


def _unknown(what: str) -> PlanInvalid:
    return PlanInvalid(what, advice="Correct the region.", faults=[what])


def _core(choice: RegionChoice, places: Places) -> Bools:
    body = next((body for body in places.bodies if body.name == choice.core), None)
    if body is None:
        known = ", ".join(sorted(body.name for body in places.bodies)) or "none was given"
        raise _unknown(f"no core body is named '{choice.core}' (known: {known})")
    return _on_body(body, places.nominal, places.samples)


def _on_body(body: Body, nominal: Nominal, samples: Samples) -> Bools:
    reach_mm = max(
        CORE_TOLERANCE_SHARE * float(np.linalg.norm(np.ptp(nominal.vertices_mm, axis=0))),
        3 * (nominal.chord_tolerance_mm or 0.0),
    )
    core = SurfaceQuery(body.vertices_mm, body.triangles)
    hits = core.cast(samples.points_mm + reach_mm * samples.normals, -samples.normals)  # from inside the core, out
    facing = np.einsum("ij,ij->i", core.face_normals[np.maximum(hits.triangle, 0)], samples.normals)
    is_member: Bools = hits.is_hit & (hits.distance_mm <= 2 * reach_mm) & (facing < OPPOSED_COSINE)
    return is_member


def _faces(choice: RegionChoice, places: Places) -> Bools:
    nominal, samples = places.nominal, places.samples
    wanted = np.array(choice.faces or (), dtype=np.int64)
    absent = [str(face) for face in wanted if face >= len(nominal.faces)]
    if absent:
        raise _unknown(f"no face {', '.join(absent)} (the part has faces 0 to {len(nominal.faces) - 1})")
    return np.isin(samples.face, wanted)


def _face_names(choice: RegionChoice, places: Places) -> Bools:
    nominal, samples = places.nominal, places.samples
    names = choice.face_names or ()
    known = {face.name for face in nominal.faces if face.name}
    absent = [name for name in names if name not in known]
    if absent:
        listed = ", ".join(sorted(known)[:20]) or "no face has a name"
        raise _unknown(f"no face is named {', '.join(repr(name) for name in absent)} (known: {listed})")
    wanted = [face.index for face in nominal.faces if face.name in names]
    return np.isin(samples.face, wanted)


def _feature(choice: RegionChoice, places: Places) -> Bools:
    if choice.feature is None:
        raise ValueError("no feature")
    found = find_feature(places.features, choice.feature, places.nominal, where=f"region {choice.name}")
    return feature_samples(found, places.samples, len(places.nominal.triangles))


def _box(choice: RegionChoice, places: Places) -> Bools:
    samples = places.samples
    if choice.box is None:
        raise ValueError("no box")
    low, high = np.array(choice.box.minimum), np.array(choice.box.maximum)
    return np.asarray(((samples.points_mm >= low) & (samples.points_mm <= high)).all(axis=1))


def _ball(choice: RegionChoice, places: Places) -> Bools:
    samples = places.samples
    if choice.ball is None:
        raise ValueError("no ball")
    distance = np.linalg.norm(samples.points_mm - np.array(choice.ball.centre), axis=1)
    return np.asarray(distance <= choice.ball.radius, dtype=np.bool_)


def _tube(choice: RegionChoice, places: Places) -> Bools:
    samples = places.samples
    if choice.tube is None:
        raise ValueError("no tube")
    start, end = np.array(choice.tube.start), np.array(choice.tube.end)
    length = np.linalg.norm(end - start)
    along = (end - start) / length
    height = (samples.points_mm - start) @ along
    across = np.linalg.norm(samples.points_mm - start - height[:, None] * along, axis=1)
    is_member: Bools = (height >= 0) & (height <= length) & (across <= choice.tube.radius)
    return is_member


_CHOOSERS: dict[str, Callable[[RegionChoice, Places], Bools]] = {
    "core": _core,
    "faces": _faces,
    "face_names": _face_names,
    "feature": _feature,
    "box": _box,
    "ball": _ball,
    "tube": _tube,
}
