"""Ports: least area, volume, and how differently two siblings sit."""

from __future__ import annotations

from typing import TypeVar

import numpy as np

from shared.plan import Plan
from shared.plan.ports import PortArea, PortSibling, PortVolume
from worker.judging.finding import Details, Finding, Unmeasured, plain_finding, row
from worker.judging.flow_estimate import flow_caution
from worker.judging.measured import Measured
from worker.judging.nominal_ports import nominal_match, nominal_port
from worker.judging.port_exhibits import (
    Sibling,
    area_exhibits,
    sibling_exhibits,
    unmeasured_exhibits,
    volume_exhibits,
    with_short_side,
)
from worker.judging.propagation import Departures, Input, Model, length_by_chance, propagate
from worker.judging.seen_share import gap_text
from worker.judging.sources import ALIGNMENT, RESOLUTION, SCANNER, TEMPERATURE, frame_input, length_inputs, strain_input
from worker.judging.uncertainty import UNIFORM, facet_sigma_mm, scanner_sigma_mm
from worker.measuring.seen import NotMeasured
from worker.ports.bends import Bend, PieceBend, piece_short_side, short_side
from worker.ports.piece import (
    FACETS,
    SCAN_NOISE,
    PortPiece,
    Skin,
    Systematic,
    measure_port,
    measure_volume,
    piece_skin,
)
from worker.ports.piece import PortVolume as MeasuredVolume
from worker.ports.sections import Port
from worker.ports.siblings import sibling_offsets
from worker.records import Bools, Deviation, Floats

CC_MM3 = 1000.0
Found = TypeVar("Found")


def port_area(line: PortArea, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Least area of the piece's sections, mm2.

    Nominal and piece are cut by the same planes.  The pose drops out: it slides sections along the port, and the
    least area changes with that in the second order only.
    """
    port = _sure(nominal_port(line.region, measured))
    mask = port_mask(port, measured)
    piece = port_piece(line.region, plan, measured)
    if isinstance(piece, NotMeasured):
        return Unmeasured(piece.reason, sample_mask=mask, exhibits=unmeasured_exhibits(port))
    least, section = piece.least, port.sections[piece.least]
    volume = _volume_of(line.region, plan, measured)
    bend = short_side(port)
    own_bend = None if bend is None else piece_short_side(port, piece, bend)
    shown = area_exhibits(line, port, piece, None if isinstance(volume, NotMeasured) else volume)
    return plain_finding(
        float(piece.area_mm2[least]),
        {name: float(sigma[least]) for name, sigma in piece.area_sigma_mm2.items()},
        least=0.0,
        point_mm=section.outline.centroid_mm,
        details=_area_details(port, piece, bend, own_bend),
        sample_mask=mask,
        gap=_gap(piece.is_measured),
        nominal=section.area_mm2,
        exhibits=with_short_side(shown, port, bend, own_bend),
        caution=flow_caution(line),
    )


def port_volume(line: PortVolume, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Volume of the piece's port between the planes of nominal's ends, mm3.

    Where the piece's own end faces lie beside those planes, that is theirs and not the port's.
    """
    port = _sure(nominal_port(line.region, measured))
    mask = port_mask(port, measured)
    found = _volume_of(line.region, plan, measured)
    if isinstance(found, NotMeasured):
        return Unmeasured(found.reason, sample_mask=mask, exhibits=unmeasured_exhibits(port))
    nominal = port.volume_mm3
    return plain_finding(
        found.volume_mm3,
        found.sigma_mm3,
        least=0.0,
        point_mm=port.line.at(port.line.length_mm / 2)[0],
        details={
            "volume_cc": found.volume_mm3 / CC_MM3,
            "nominal_cc": nominal / CC_MM3,
            "difference_cc": (found.volume_mm3 - nominal) / CC_MM3,
            "centreline_length_mm": port.line.length_mm,
            "seen_share": found.seen_share,
        },
        sample_mask=mask,
        gap=gap_text(found.seen_share),
        nominal=nominal,
        exhibits=volume_exhibits(port, found),
    )


def port_sibling(line: PortSibling, plan: Plan, measured: Measured) -> Finding | Unmeasured:
    """Largest difference of the centroids' offsets from nominal, section by section, mm."""
    own, other, match = _sure(nominal_match(line, measured))
    mask = port_mask(own, measured) | port_mask(other, measured)
    names = line.region, line.sibling
    pieces = [port_piece(name, plan, measured) for name in names]
    for name, piece in zip(names, pieces, strict=True):
        if isinstance(piece, NotMeasured):
            return Unmeasured(f"{name}: {piece.reason}", sample_mask=mask)
    here, there = (_sure(piece) for piece in pieces)
    offsets = sibling_offsets(match, here, there)
    if isinstance(offsets, NotMeasured):
        return Unmeasured(offsets.reason, sample_mask=mask)
    both = Sibling(names, (own, other), (here, there), match, offsets)
    vectors = _difference_model(both, measured)
    inputs = _sibling_inputs(both, plan, measured)

    def length(departures: Departures) -> Floats:
        total: Floats = np.linalg.norm(vectors(departures)[:, 0], axis=1)
        return total + departures[SCANNER][:, 0] + departures[RESOLUTION][:, 0] + departures[FACETS][:, 0]

    by_chance = length_by_chance(vectors, inputs)
    return Finding(
        inputs=inputs,
        model=length,
        least=0.0,
        by_chance=by_chance,
        point_mm=own.sections[offsets.worst].outline.centroid_mm,
        details=_sibling_details(both, max(by_chance, propagate(length, inputs, least=0.0).U)),
        sample_mask=mask,
        gap=_gap(offsets.is_measured),
        exhibits=sibling_exhibits(both),
    )


def port_piece(name: str, plan: Plan, measured: Measured) -> PortPiece | NotMeasured:
    """The piece's sections of the port that a region is, made once for all lines of that region."""

    def made() -> PortPiece | NotMeasured:
        port, skin = _sure(nominal_port(name, measured)), _skin_of(name, measured)
        return measure_port(port, _deviation(measured), systematic(port, plan, measured), skin=skin)

    return measured.once(("port of piece", name, repr(plan.scanner)), made)


def _volume_of(name: str, plan: Plan, measured: Measured) -> MeasuredVolume | NotMeasured:
    def made() -> MeasuredVolume | NotMeasured:
        port, skin = _sure(nominal_port(name, measured)), _skin_of(name, measured)
        return measure_volume(port, _deviation(measured), systematic(port, plan, measured), skin=skin)

    return measured.once(("volume of piece", name, repr(plan.scanner)), made)


def _skin_of(name: str, measured: Measured) -> Skin | NotMeasured:
    port = _sure(nominal_port(name, measured))
    return measured.once(("port skin of piece", name), lambda: piece_skin(port, _deviation(measured)))


def systematic(port: Port, plan: Plan, measured: Measured) -> Systematic:
    """What does not average out over a port's surface."""
    own = port.samples
    facets = measured.once("facets", lambda: facet_sigma_mm(measured.nominal, measured.samples))[own]
    return Systematic(
        scanner_mm=scanner_sigma_mm(plan),
        facets_mm=float(facets @ measured.samples.area_mm2[own] / measured.samples.area_mm2[own].sum()),
        resolution_mm=UNIFORM * measured.quantum_mm,
        strain=measured.strain_sigma,
    )


def port_mask(port: Port, measured: Measured) -> Bools:
    """(s,) samples of the port."""
    mask = np.zeros(len(measured.samples.face), dtype=bool)
    mask[port.samples] = True
    return mask


def _sure(found: Found | NotMeasured) -> Found:
    """What limits would have refused already, were it not there."""
    if isinstance(found, NotMeasured):
        raise ValueError(found.reason)  # noqa: TRY004 - no wrong type: limits refuse it first
    return found


def _deviation(measured: Measured) -> Deviation:
    if measured.deviation is None:
        raise ValueError("nothing was measured")
    return measured.deviation


def _area_details(port: Port, piece: PortPiece, bend: Bend | None, own_bend: PieceBend | None) -> Details:
    least, nominal_least = piece.least, port.sections[port.least]
    section = port.sections[least]
    return {
        "length_from_wider_end_mm": section.along_mm,
        "centreline_length_mm": port.line.length_mm,
        "nominal_least_mm2": nominal_least.area_mm2,
        "nominal_least_length_from_wider_end_mm": nominal_least.along_mm,
        "hydraulic_diameter_mm": float(piece.hydraulic_diameter_mm[least]),
        "nominal_hydraulic_diameter_mm": section.hydraulic_diameter_mm,
        "centroid_offset_mm": row(piece.offset_mm[least]),
        "nominal_bend_short_side_length_mm": None if bend is None else bend.radius_mm,
        "bend_short_side_length_mm": None if own_bend is None else own_bend.radius_mm,
        "U_bend_short_side_length_mm": None if own_bend is None else 2 * own_bend.sigma_mm,
        "seen_share": float(piece.seen_share[least]),
        "sections": _sections_text(port, piece),
    }


def _gap(is_measured: Bools) -> str | None:
    """The smallest section may be the one nobody saw."""
    unseen = int((~is_measured).sum())
    if not unseen:
        return None
    return f"{unseen} of its {len(is_measured)} sections were not measured, and one of those may be the worst"


def _sections_text(port: Port, piece: PortPiece) -> str:
    first, last = port.sections[0].along_mm, port.sections[-1].along_mm
    return (
        f"{int(piece.is_measured.sum())} of {len(port.sections)} measured, square to the line "
        f"from {first:.1f} to {last:.1f} mm of its {port.line.length_mm:.1f} mm"
    )


def _sibling_details(both: Sibling, U_mm: float) -> Details:
    offsets, worst = both.offsets, both.offsets.worst
    return {
        "difference_mm": row(offsets.difference_mm[worst]),
        "offset_mm": row(offsets.own_mm[worst]),
        "sibling_offset_mm": row(offsets.other_mm[worst]),
        "length_from_wider_end_mm": both.ports[0].sections[worst].along_mm,
        "translation_length_mm": row(both.match.translation_mm),
        "lines_apart_in_cad_mm": both.match.misfit_mm,
        "reason": both.sentence(U_mm),
    }


def _difference_model(both: Sibling, measured: Measured) -> Model:
    """Difference (n, 1, 3) of the offsets at the worst section; the pose and the temperature move both ports."""
    frame, worst, match = measured.pose_frame, both.offsets.worst, both.match
    own, other = both.ports[0].sections[worst], both.ports[1].sections[int(match.nearest[worst])]
    value = both.offsets.difference_mm[worst]

    def moved(departures: Departures) -> Floats:
        total = value + departures[SCAN_NOISE]
        for section, turned in ((own, np.eye(3)), (other, -match.turned)):
            arm = section.outline.centroid_mm - frame.centre_mm
            motion = departures[ALIGNMENT]
            shift = np.cross(motion[:, :3], arm) + motion[:, 3:] + departures[TEMPERATURE] * arm
            flat = shift - (shift @ section.normal)[:, None] * section.normal
            total = total + flat @ turned.T
        return np.asarray(total[:, None])

    return moved


def _sibling_inputs(both: Sibling, plan: Plan, measured: Measured) -> tuple[Input, ...]:
    facets = max(systematic(port, plan, measured).facets_mm for port in both.ports)
    return (
        Input(SCAN_NOISE, both.offsets.covariance_mm2),
        frame_input(measured.pose_frame),
        strain_input(measured),
        *length_inputs(plan, measured),
        Input.single(FACETS, facets),
    )
