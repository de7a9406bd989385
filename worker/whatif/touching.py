"""Which lines of a plan speak only of what a move leaves where it was: they need not be judged again."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from shared.plan import Plan
from worker.judging.measured import Measured
from worker.whatif.parts import Step

LOCAL = frozenset(
    (
        "size", "distance", "angle", "flatness", "straightness", "roundness", "cylindricity", "parallelism",
        "perpendicularity", "angularity", "position", "coaxiality", "circular_runout", "total_runout",
        "surface_profile", "line_profile", "wall_between", "room_to_remove", "core_displacement", "port_area",
        "port_volume", "port_sibling", "section_offset", "pocket_depth", "sibling_offset", "cavity_volume",
    )
)  # fmt: skip
# Kinds whose figure rests on the regions, features and datums they name, and on the pose, which a move leaves.


def is_untouched(line: Any, plan_mm: Plan, measured: Measured, steps: Sequence[Step]) -> bool:
    """Whether nothing that a line names moves; False for kinds that look at the whole piece, and where none is named.

    line : of a plan whose features are picked by id
    """
    if line.kind not in LOCAL:
        return False
    named = set(_texts(line.model_dump()))
    named |= {letter for frame in plan_mm.frames if frame.name in named for letter in frame.datums}
    for datum in plan_mm.datums:
        if datum.letter in named:
            named |= set(_texts(datum.model_dump()))
            if datum.feature is None and not datum.width:  # targets may lie anywhere
                return False
    regions = [region for region in measured.regions if region.name in named]
    features = [feature for feature in measured.features if feature.id in named]
    members = {name for feature in features for name in feature.members}
    features += [feature for feature in measured.features if feature.id in members]
    if not regions and not features:
        return False
    skins = [step.part for step in steps if not step.part.is_body]
    return not any(
        (region.is_member & (part.is_sample | part.is_seam)).any() for region in regions for part in skins
    ) and not any(part.is_triangle[feature.triangles].any() for feature in features for part in skins)


def _texts(value: Any) -> Iterator[str]:
    """Every text in nested values."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for part in value.values():
            yield from _texts(part)
    elif isinstance(value, list | tuple):
        for part in value:
            yield from _texts(part)
