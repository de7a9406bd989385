"""What of a skin is looked at, and when two skins are one."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from tests.support.walls import drilled, region_by, sampled
from worker.walls.between import least_nominal, thin_samples, wall_lines
from worker.walls.skins import Skin, nominal_skin


@lru_cache(maxsize=4)
def _skins(kind: str, near: str, far: str) -> tuple[Skin, Skin]:
    nominal = drilled(kind)
    samples = sampled(nominal)
    found = [nominal_skin(region_by(nominal, samples, name).is_member, nominal, samples) for name in (near, far)]
    assert found[0] is not None
    assert found[1] is not None
    return found[0], found[1]


@pytest.mark.parametrize("reach_mm", [2.5, 4.0, 8.0])
def test_no_sample_with_a_wall_within_reach_is_left_out(reach_mm: float) -> None:
    near, far = _skins("skew", "one", "other")
    walls = wall_lines(near, far).wall_mm
    chosen = near.within(far, reach_mm)
    assert np.isin(np.flatnonzero(walls <= reach_mm), chosen).all()
    assert len(chosen) < len(walls)  # and most of the rest is


@pytest.mark.parametrize("kind", ["parallel", "skew"])
def test_the_least_wall_of_thin_samples_is_that_of_all(kind: str) -> None:
    skins, samples = _skins(kind, "one", "other"), sampled(drilled(kind))
    whole = least_nominal(wall_lines(*skins), skins, samples)
    assert whole is not None
    thin = thin_samples(*skins, whole.wall_mm, samples)
    found = least_nominal(wall_lines(*skins, thin), skins, samples)
    assert found is not None
    assert (found.wall_mm, found.near_row, found.far_row) == (whole.wall_mm, whole.near_row, whole.far_row)


def test_a_skin_agrees_with_its_copy_and_with_none_that_moved() -> None:
    near, _ = _skins("parallel", "one", "other")
    assert near.agrees(replace(near, points_mm=near.points_mm.copy()))
    assert not near.agrees(replace(near, points_mm=near.points_mm + 1e-9))
    assert not near.agrees(replace(near, off_mm=near.off_mm + 1e-9))
    shifted = replace(near.table, origin_mm=near.table.origin_mm + 1e-9)
    assert not near.agrees(replace(near, table=shifted))
