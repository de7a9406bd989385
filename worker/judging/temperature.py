"""Lengths at 20 degrees Celsius (ISO 1)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shared.plan import Plan, Temperature
from shared.tolerances.expansion import expansion_of

REFERENCE_CELSIUS = 20.0
COVERAGE_FACTOR = 2.0  # of the uncertainties a plan states


@dataclass(frozen=True)
class ThermalCorrection:
    """How lengths are brought to 20 degrees.

    factor : lengths as scanned times this are lengths at 20 degrees
    strain_sigma : standard uncertainty of that factor
    ppm_per_kelvin, source : the coefficient and who stated it
    """

    factor: float
    strain_sigma: float
    celsius: float
    ppm_per_kelvin: float
    source: str


def thermal_correction(plan: Plan) -> ThermalCorrection | None:
    """What the plan's temperature asks for; None where it states none.

    L20 = L / (1 + a (T - 20)); u^2 = ((T - 20) u(a))^2 + (a u(T))^2, the product term left out as
    JCGM 100:2008, 5.1.2 does.

    Raises
    ------
    PlanInvalid
        If the material is not in the table.

    """
    stated = plan.temperature
    if stated is None:
        return None
    ppm, source, sigma_ppm = _coefficient(stated)
    off = stated.celsius - REFERENCE_CELSIUS
    sigma_kelvin = stated.expanded_uncertainty_kelvin / COVERAGE_FACTOR
    return ThermalCorrection(
        factor=1.0 / (1.0 + 1e-6 * ppm * off),
        strain_sigma=1e-6 * float(np.hypot(off * sigma_ppm, ppm * sigma_kelvin)),
        celsius=stated.celsius,
        ppm_per_kelvin=ppm,
        source=source,
    )


def _coefficient(stated: Temperature) -> tuple[float, str, float]:
    """Coefficient, who states it, and its standard uncertainty, all but the words in 1e-6 per kelvin."""
    share = stated.expansion_expanded_uncertainty_percent / 100 / COVERAGE_FACTOR
    if stated.expansion_ppm_per_kelvin is not None:
        return stated.expansion_ppm_per_kelvin, "the plan", share * stated.expansion_ppm_per_kelvin
    found = expansion_of(stated.material or "")
    spread = found.half_spread_ppm_per_kelvin / np.sqrt(3.0)  # uniform over the range the source gives
    return found.ppm_per_kelvin, f"{found.material}: {found.source}", float(max(share * found.ppm_per_kelvin, spread))
