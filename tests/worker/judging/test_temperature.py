from __future__ import annotations

from typing import Any

import pytest

from shared.errors import PlanInvalid
from shared.plan import Plan
from worker.judging.temperature import ThermalCorrection, thermal_correction


def _correction(**temperature: Any) -> ThermalCorrection:
    found = thermal_correction(Plan.model_validate({"firstpour_plan": "1", "temperature": temperature}))
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("material", "growth_mm"),
    [("aluminium 356.0", 0.05375), ("grey iron", 0.0285), ("steel 1020", 0.02925), ("PLA", 0.170)],
)
def test_five_kelvin_too_warm_on_500_mm(material: str, growth_mm: float) -> None:
    """L20 = L / (1 + a dT), ISO 1; coefficients of Callister, Table B.6 (PLA from memory)."""
    found = _correction(celsius=25.0, material=material)
    assert 500.0 * (1 / found.factor - 1) == pytest.approx(growth_mm, abs=5e-5)


def test_at_20_degrees_nothing_changes_but_the_thermometer_is_still_unsure() -> None:
    found = _correction(celsius=20.0, expansion_ppm_per_kelvin=20.0, expanded_uncertainty_kelvin=1.0)
    assert found.factor == 1.0
    assert found.strain_sigma == pytest.approx(20e-6 * 0.5)


def test_coefficient_and_thermometer_add_by_squares() -> None:
    """u^2 = (dT u(a))^2 + (a u(T))^2, the terms of JCGM 100:2008, H.1: 10 K x 1e-6/K and 20e-6/K x 0.5 K."""
    found = _correction(
        celsius=30.0,
        expansion_ppm_per_kelvin=20.0,
        expanded_uncertainty_kelvin=1.0,
        expansion_expanded_uncertainty_percent=10.0,
    )
    assert found.strain_sigma == pytest.approx((10e-6**2 + 10e-6**2) ** 0.5)


def test_a_material_whose_source_gives_a_range_is_unsure_by_it() -> None:
    """ABS 72 to 108e-6/K: uniform over the range, 18 / sqrt 3."""
    found = _correction(celsius=30.0, material="ABS", expanded_uncertainty_kelvin=0.0)
    assert found.strain_sigma == pytest.approx(10 * 18e-6 / 3**0.5)


def test_a_material_nobody_knows_is_named() -> None:
    with pytest.raises(PlanInvalid, match="unobtainium"):
        _correction(celsius=25.0, material="unobtainium")


def test_without_a_temperature_nothing_is_corrected() -> None:
    assert thermal_correction(Plan(firstpour_plan="1")) is None
