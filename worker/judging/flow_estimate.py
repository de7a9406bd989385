"""What the areas of a port and its valve would flow: an estimate, told as one."""

from __future__ import annotations

import numpy as np

from shared.plan.ports import FlowBench, PoppetValve, PortArea
from worker.exhibits import Cell, Column, Table
from worker.ports.flow import Stage, Valve, ValveArea, incompressible_cfm, isentropic_cfm, pressure_pa, valve_area

STAGE_WORDS = {
    Stage.SEAT: "seat faces",
    Stage.GAP: "gap beside the seat",
    Stage.THROAT: "throat less stem",
}
PORT = "port"


def valve_of(stated: PoppetValve) -> Valve:
    """The plan's valve, its lengths in millimetres."""
    return Valve(
        diameter_mm=stated.diameter,
        stem_diameter_mm=stated.stem_diameter,
        seat_width_mm=stated.seat_width,
        seat_angle_rad=float(np.radians(stated.seat_angle_degrees)),
        throat_diameter_mm=stated.throat_diameter,
    )


def flow_caution(line: PortArea) -> str | None:
    """What whoever reads the flow figures must know; None where there are none."""
    if line.flow is None:
        return None
    return (
        "The flow figures are an estimate from areas alone; a flow bench decides. They are for a discharge coefficient "
        f"of {line.flow.discharge_coefficient:g}, as the plan states it, of the smaller of valve area and least port "
        f"area, at {line.flow.pressure_inches_of_water:g} inches of water, for air of 15 °C and 101.325 kPa, as volume "
        "at that upstream density; the isentropic figure counts the air's expansion, the other does not."
    )


def area_table(line: PortArea, areas_mm2: tuple[float, float], U_mm2: float) -> Table | None:
    """Area, and flow where it is asked for, at each lift, or of the port alone.

    areas_mm2 : least of the piece and of nominal;  U_mm2 : of the piece's
    """
    if line.valve is None and line.flow is None:
        return None
    lifts: tuple[ValveArea | None, ...] = (None,)
    if line.valve is not None:
        valve = valve_of(line.valve)
        lifts = tuple(valve_area(valve, lift) for lift in sorted(line.valve.lifts))
    columns = [Column("valve lift", "mm"), Column("valve area", "mm2"), Column("valve bounded by")]
    columns += [Column("smaller area", "mm2"), Column("which")]
    if line.flow is not None:
        columns += [Column("flow estimate", "cfm"), Column("U from area", "cfm"), Column("of nominal", "cfm")]
        columns += [Column("isentropic", "cfm")]
    title = "Valve and port area" if line.flow is None else "Flow estimate; a flow bench decides"
    return Table(title, tuple(columns), tuple(_row(line.flow, lift, areas_mm2, U_mm2) for lift in lifts))


def _row(
    flow: FlowBench | None, lift: ValveArea | None, areas_mm2: tuple[float, float], U_mm2: float
) -> tuple[Cell, ...]:
    piece, nominal = (area if lift is None else min(area, lift.area_mm2) for area in areas_mm2)
    is_port = lift is None or areas_mm2[0] < lift.area_mm2
    told: tuple[Cell, ...] = (None, None, None)
    if lift is not None:
        told = (lift.lift_mm, lift.area_mm2, STAGE_WORDS[lift.stage])
    told = (*told, piece, PORT if is_port else "valve")
    if flow is None:
        return told
    drop, share = pressure_pa(flow.pressure_inches_of_water), flow.discharge_coefficient
    plain, U, drawn = (share * incompressible_cfm(area, drop) for area in (piece, U_mm2, nominal))
    return (*told, plain, U if is_port else None, drawn, share * isentropic_cfm(piece, drop))
