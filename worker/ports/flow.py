"""What an area may flow, and the least area round a lifted poppet valve: estimates that a flow bench decides.

Conventions.  Air of the standard atmosphere (ISO 2533: 15 degrees, 101.325 kPa) upstream; volume flow is told at
that upstream density.  Inches of water are conventional ones (4 degrees), 249.08891 Pa.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

INCH_WATER_PA = 249.08891  # conventional, water of 1000 kg/m3 and standard gravity
UPSTREAM_PA, UPSTREAM_K = 101_325.0, 288.15  # ISO 2533 at sea level
GAS_CONSTANT = 287.05287  # J/(kg K), dry air, ISO 2533
GAMMA = 1.4  # ratio of specific heats of dry air
UPSTREAM_KG_M3 = UPSTREAM_PA / (GAS_CONSTANT * UPSTREAM_K)  # 1.2250
CFM_PER_M3_S = 60.0 / 0.3048**3
MM2_PER_M2 = 1e6
CRITICAL_RATIO = (2 / (GAMMA + 1)) ** (GAMMA / (GAMMA - 1))  # below it the throat is choked


class Stage(StrEnum):
    """What bounds the flow round a valve: the seats' faces, the gap beside the seat, or the throat less the stem."""

    SEAT = "seat"
    GAP = "gap"
    THROAT = "throat"


@dataclass(frozen=True, kw_only=True)
class Valve:
    """A poppet valve and its throat, mm and radian.

    seat_width_mm : along the seat's face, as it is measured;  seat_angle_rad : from the plane of the head
    """

    diameter_mm: float
    stem_diameter_mm: float
    seat_width_mm: float
    seat_angle_rad: float
    throat_diameter_mm: float

    @property
    def radial_width_mm(self) -> float:
        """Heywood's w: the seat's width as seen along the stem."""
        return self.seat_width_mm * float(np.cos(self.seat_angle_rad))

    @property
    def throat_area_mm2(self) -> float:
        """Throat less stem."""
        return float(np.pi / 4 * (self.throat_diameter_mm**2 - self.stem_diameter_mm**2))

    @property
    def stage_lifts_mm(self) -> tuple[float, float]:
        """Lifts where the second and the third stage begin; the second is the first where the throat is that small."""
        width, angle = self.radial_width_mm, self.seat_angle_rad
        first = width / float(np.sin(angle) * np.cos(angle))
        room = (self.throat_area_mm2 / (np.pi * (self.diameter_mm - width))) ** 2 - width**2
        return first, max(first, float(np.sqrt(max(room, 0.0)) + width * np.tan(angle)))


@dataclass(frozen=True)
class ValveArea:
    """Least area round the valve at one lift, and what bounds it."""

    lift_mm: float
    area_mm2: float
    stage: Stage


def valve_area(valve: Valve, lift_mm: float) -> ValveArea:
    """Least geometric area at one lift.

    Heywood, Internal Combustion Engine Fundamentals, eqs 6.7 to 6.9: a frustum square to the seats, then one
    leaning outward, then the throat less the stem, which no lift exceeds.
    """
    width, angle = valve.radial_width_mm, valve.seat_angle_rad
    first, second = valve.stage_lifts_mm
    if lift_mm <= first:
        mean = valve.diameter_mm - 2 * width + lift_mm / 2 * np.sin(2 * angle)
        area, stage = float(np.pi * lift_mm * np.cos(angle) * mean), Stage.SEAT
    elif lift_mm <= second:
        slant = np.hypot(lift_mm - width * np.tan(angle), width)
        area, stage = float(np.pi * (valve.diameter_mm - width) * slant), Stage.GAP
    else:
        area, stage = valve.throat_area_mm2, Stage.THROAT
    if area > valve.throat_area_mm2:
        area, stage = valve.throat_area_mm2, Stage.THROAT
    return ValveArea(lift_mm, area, stage)


def pressure_pa(inches_of_water: float) -> float:
    """Conventional inches of water in pascal."""
    return INCH_WATER_PA * inches_of_water


def incompressible_cfm(area_mm2: float, drop_pa: float) -> float:
    """Flow through an area at discharge coefficient 1, density as upstream: 145.87 cfm for 1 in2 at 28 inches."""
    speed_m_s = float(np.sqrt(2 * drop_pa / UPSTREAM_KG_M3))
    return speed_m_s * area_mm2 / MM2_PER_M2 * CFM_PER_M3_S


def isentropic_cfm(area_mm2: float, drop_pa: float) -> float:
    """Flow through an area at discharge coefficient 1, told at upstream density: 140.4 cfm for 1 in2 at 28 inches.

    Heywood eqs 6.10 and 6.11; choked below ``CRITICAL_RATIO``.
    """
    speed_m_s = flow_factor((UPSTREAM_PA - drop_pa) / UPSTREAM_PA) * float(np.sqrt(GAS_CONSTANT * UPSTREAM_K))
    return speed_m_s * area_mm2 / MM2_PER_M2 * CFM_PER_M3_S


def flow_factor(pressure_ratio: float) -> float:
    """Mass flow times sqrt(R T0) over area and upstream pressure; pressure_ratio : throat over upstream."""
    ratio = max(pressure_ratio, CRITICAL_RATIO)
    room = 2 * GAMMA / (GAMMA - 1) * (1 - ratio ** ((GAMMA - 1) / GAMMA))
    return float(ratio ** (1 / GAMMA) * np.sqrt(max(room, 0.0)))


def expansibility(drop_pa: float) -> float:
    """Isentropic over incompressible flow at the same upstream state: 0.96242 at 28 inches of water."""
    return isentropic_cfm(1.0, drop_pa) / incompressible_cfm(1.0, drop_pa)


def mean_piston_speed_m_s(stroke_mm: float, revolutions_per_minute: float) -> float:
    """Twice the stroke in each revolution."""
    return 2 * stroke_mm / 1000 * revolutions_per_minute / 60


def mach_index(bore_mm: float, valve_mm: float, piston_m_s: float, mean_coefficient: float, sound_m_s: float) -> float:
    """Taylor's inlet Mach index: (bore / valve)^2 times mean piston speed over (coefficient times speed of sound)."""
    return (bore_mm / valve_mm) ** 2 * piston_m_s / (mean_coefficient * sound_m_s)
