from __future__ import annotations

import fluids
import numpy as np
import pytest

from worker.ports import flow
from worker.ports.flow import Stage, Valve, valve_area

SQUARE_INCH_MM2 = 25.4**2
BENCH_PA = flow.pressure_pa(28.0)
WORKED = Valve(
    diameter_mm=50.8,
    stem_diameter_mm=8.0,
    seat_width_mm=1.5 / np.cos(np.pi / 4),
    seat_angle_rad=np.pi / 4,
    throat_diameter_mm=44.0,
)


@pytest.mark.parametrize(
    ("lift_mm", "area_mm2", "stage"),
    [
        (1.0, 107.296, Stage.SEAT),
        (2.0, 216.813, Stage.SEAT),
        (3.0, 328.551, Stage.SEAT),
        (6.0, 734.663, Stage.GAP),
        (10.0, 1336.826, Stage.GAP),
        (10.88, 1470.265, Stage.THROAT),
        (15.0, 1470.265, Stage.THROAT),
    ],
)
def test_valve_area_is_heywoods(lift_mm: float, area_mm2: float, stage: Stage) -> None:
    """Heywood eqs 6.7 to 6.9 (from memory), worked for a valve of 50.8 mm; w is the radial projection, 1.5 mm."""
    found = valve_area(WORKED, lift_mm)
    assert found.area_mm2 == pytest.approx(area_mm2, abs=5e-4)
    assert found.stage is stage


def test_stages_begin_where_worked() -> None:
    """Heywood (from memory), worked: 3.000 and 10.8736 mm."""
    assert WORKED.stage_lifts_mm == pytest.approx((3.0, 10.8736), abs=5e-5)


@pytest.mark.parametrize("join_mm", WORKED.stage_lifts_mm)
def test_stages_join_without_a_step(join_mm: float) -> None:
    below, above = (valve_area(WORKED, join_mm + step).area_mm2 for step in (-1e-9, 1e-9))
    assert above == pytest.approx(below, abs=1e-5)


@pytest.mark.parametrize("lift_mm", [4.0, 6.0, 9.0])
def test_second_stage_is_the_least_frustum_between_the_seats(lift_mm: float) -> None:
    """Referee: all frusta between the edges of both seats, brute force."""
    width, tangent = WORKED.radial_width_mm, np.tan(WORKED.seat_angle_rad)
    outer = WORKED.diameter_mm / 2
    u, v = np.meshgrid(np.linspace(0, width, 301), np.linspace(0, width, 301))
    slant = np.hypot(u - v, lift_mm + (u - v) * tangent)
    least = (np.pi * (2 * outer - u - v) * slant).min()
    assert valve_area(WORKED, lift_mm).area_mm2 == pytest.approx(least, rel=1e-3)


def test_a_small_throat_bounds_every_lift() -> None:
    small = Valve(
        diameter_mm=40.0, stem_diameter_mm=7.0, seat_width_mm=2.0, seat_angle_rad=np.pi / 4, throat_diameter_mm=12.0
    )
    assert valve_area(small, small.stage_lifts_mm[0]).stage is Stage.THROAT
    assert valve_area(small, small.stage_lifts_mm[0]).area_mm2 == small.throat_area_mm2


def test_a_square_inch_flows_what_the_trade_says() -> None:
    """Common practice: 146 cfm at 28 inches of water; 145.87 in the standard atmosphere, by hand."""
    assert flow.incompressible_cfm(SQUARE_INCH_MM2, BENCH_PA) == pytest.approx(145.87, abs=5e-3)


@pytest.mark.parametrize(("inches", "factor"), [(10.0, 1.6733), (15.0, 1.3663), (20.0, 1.1832), (25.0, 1.0583)])
def test_flow_goes_with_the_root_of_the_pressure(inches: float, factor: float) -> None:
    """Common practice: figures at other drops are brought to 28 inches by the root of the ratio."""
    lower = flow.incompressible_cfm(SQUARE_INCH_MM2, flow.pressure_pa(inches))
    assert flow.incompressible_cfm(SQUARE_INCH_MM2, BENCH_PA) / lower == pytest.approx(factor, abs=5e-5)


@pytest.mark.parametrize(("inches", "cfm"), [(10.0, 87.17), (25.0, 137.84)])
def test_a_square_inch_at_other_pressures(inches: float, cfm: float) -> None:
    """By hand: 145.87 times the root of the ratio of pressures."""
    assert flow.incompressible_cfm(SQUARE_INCH_MM2, flow.pressure_pa(inches)) == pytest.approx(cfm, abs=0.01)


def test_compressed_air_flows_less() -> None:
    """Heywood eqs 6.10 and 6.11 (from memory): 140.4 cfm, factor 0.96242."""
    assert flow.isentropic_cfm(SQUARE_INCH_MM2, BENCH_PA) == pytest.approx(140.4, abs=0.05)
    assert flow.expansibility(BENCH_PA) == pytest.approx(0.96242, abs=5e-6)


def test_expansibility_is_that_of_a_nozzle() -> None:
    """Referee: ``fluids.nozzle_expansibility`` of a vanishing throat (ISO 5167-3)."""
    lower = flow.UPSTREAM_PA - BENCH_PA
    theirs = fluids.nozzle_expansibility(D=1.0, Do=1e-4, P1=flow.UPSTREAM_PA, P2=lower, k=1.4)
    assert flow.expansibility(BENCH_PA) == pytest.approx(theirs, abs=1e-9)


def test_incompressible_flow_is_that_of_a_meter() -> None:
    """Referee: ``fluids.flow_meter_discharge`` of one square inch in a wide pipe, kg/s."""
    throat = np.sqrt(4 * SQUARE_INCH_MM2 / flow.MM2_PER_M2 / np.pi)
    lower, density = flow.UPSTREAM_PA - BENCH_PA, flow.UPSTREAM_KG_M3
    theirs = fluids.flow_meter.flow_meter_discharge(  # type: ignore[no-untyped-call]
        D=1.0, Do=throat, P1=flow.UPSTREAM_PA, P2=lower, rho=density, C=1.0, expansibility=1.0
    )
    ours = flow.incompressible_cfm(SQUARE_INCH_MM2, BENCH_PA) / flow.CFM_PER_M3_S * density
    assert ours == pytest.approx(theirs, rel=1e-6)  # their term of the fourth power: 3e-7


def test_a_choked_throat_flows_no_more() -> None:
    """Heywood eq. 6.11 (from memory): 0.684731, from a ratio of 0.528282 down."""
    assert pytest.approx(0.528282, abs=5e-7) == flow.CRITICAL_RATIO
    assert flow.flow_factor(0.3) == flow.flow_factor(flow.CRITICAL_RATIO) == pytest.approx(0.684731, abs=5e-7)
    theirs = fluids.P_critical_flow(flow.UPSTREAM_PA, 1.4) / flow.UPSTREAM_PA
    assert pytest.approx(theirs, rel=1e-12) == flow.CRITICAL_RATIO


def test_upstream_air_is_the_standard_atmosphere() -> None:
    """Referee: ``fluids.ATMOSPHERE_1976`` at sea level."""
    sea_level = fluids.ATMOSPHERE_1976(0.0)
    assert sea_level.rho == pytest.approx(flow.UPSTREAM_KG_M3, rel=2e-6)


def test_mach_index_is_as_worked() -> None:
    """Taylor (from memory): bore 101.6, valve 50.8, stroke 88.4 mm at 6000 rpm, coefficient 0.35: 0.589."""
    speed = flow.mean_piston_speed_m_s(88.4, 6000)
    assert speed == pytest.approx(17.68)
    assert flow.mach_index(101.6, 50.8, speed, 0.35, 343.0) == pytest.approx(0.589, abs=5e-4)
