"""Ports and pairs of ports as the CAD alone has them, and what is asked of them."""

from __future__ import annotations

import numpy as np

from shared.plan.ports import PortArea, PortSibling, PortVolume
from worker.judging.measured import Measured
from worker.measuring.samples import trusted_faces
from worker.measuring.seen import NotMeasured
from worker.ports.sections import Port, port_of
from worker.ports.siblings import Match, match_siblings
from worker.records import Bools, Limits

PortLine = PortArea | PortVolume | PortSibling


def nominal_port(name: str, measured: Measured) -> Port | NotMeasured:
    """The port of nominal that a region is, or why it is none; made once."""
    region = measured.region(name)
    return measured.once(
        ("port", name), lambda: port_of(measured.samples, region.is_member, is_exact=_exact_samples(measured))
    )


def nominal_match(line: PortSibling, measured: Measured) -> tuple[Port, Port, Match] | NotMeasured:
    """Both ports and how one is laid on the other, or why they are no siblings."""
    own, other = nominal_port(line.region, measured), nominal_port(line.sibling, measured)
    if isinstance(own, NotMeasured):
        return NotMeasured(f"region {line.region}: {own.reason}")
    if isinstance(other, NotMeasured):
        return NotMeasured(f"region {line.sibling}: {other.reason}")
    axis = None if line.mirror == "none" else line.mirror
    point = None if line.point is None else np.array(line.point)
    key = ("port match", line.region, line.sibling, line.mirror, line.point)
    match = measured.once(key, lambda: match_siblings(own, other, axis=axis, point_mm=point))
    return match if isinstance(match, NotMeasured) else (own, other, match)


def port_limits(line: PortLine, measured: Measured) -> tuple[float, Limits] | NotMeasured:
    """Nominal's figure and the limits of a line, in its own unit; or what is wrong with its regions."""
    if isinstance(line, PortSibling):
        found = nominal_match(line, measured)
        return found if isinstance(found, NotMeasured) else (0.0, Limits(None, line.most))
    port = nominal_port(line.region, measured)
    if isinstance(port, NotMeasured):
        return NotMeasured(f"region {line.region}: {port.reason}")
    if isinstance(line, PortVolume):
        return port.volume_mm3, Limits(line.lower_mm3, line.upper_mm3)
    return port.sections[port.least].area_mm2, Limits(line.least_mm2, line.most_mm2)


def _exact_samples(measured: Measured) -> Bools:
    """(s,) samples whose deviations are measured from the exact surface of their face."""
    is_exact: Bools = trusted_faces(measured.nominal).is_analytic[measured.samples.face]
    return is_exact
