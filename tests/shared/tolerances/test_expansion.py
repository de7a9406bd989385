from __future__ import annotations

import pytest

from shared.errors import PlanInvalid
from shared.tolerances.expansion import MATERIALS, expansion_of


@pytest.mark.parametrize(
    ("name", "ppm"),  # Callister, Table B.6
    [("aluminium 356.0", 21.5), ("A356", 21.5), ("Aluminum 6061", 23.6), ("gray iron", 11.4), ("Grey-Iron", 11.4),
     ("ductile iron", 11.2), ("steel 1020", 11.7), ("steel a36", 11.7), ("Steel 4340", 12.3), ("magnesium az91", 26.0)],
)  # fmt: skip
def test_a_metal_expands_as_published(name: str, ppm: float) -> None:
    assert expansion_of(name).ppm_per_kelvin == ppm
    assert "B.6" in expansion_of(name).source


def test_a_published_spread_is_kept() -> None:
    abs_plastic = expansion_of("abs")
    low, high = (abs_plastic.ppm_per_kelvin + sign * abs_plastic.half_spread_ppm_per_kelvin for sign in (-1, 1))
    assert (low, high) == (72, 108)


@pytest.mark.parametrize(
    ("name", "length_change_mm"),
    [("aluminium 356", 0.05375), ("grey iron", 0.0285), ("steel 1020", 0.02925), ("PLA", 0.17)],
)
def test_half_a_metre_five_kelvin_warmer_is_longer_by(name: str, length_change_mm: float) -> None:
    assert 500 * 5 * expansion_of(name).ppm_per_kelvin * 1e-6 == pytest.approx(length_change_mm, rel=1e-9)


def test_every_material_is_found_by_its_own_name() -> None:
    assert all(expansion_of(entry.material) is entry for entry in MATERIALS.values())


def test_an_unknown_material_lists_those_known() -> None:
    with pytest.raises(PlanInvalid, match="'unobtainium' is not known") as caught:
        expansion_of("unobtainium")
    assert "aluminium 356.0" in caught.value.advice
    assert "expansion_ppm_per_kelvin" in caught.value.advice
