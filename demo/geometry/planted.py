"""The invented faults of the two pieces, and the truth about them as one document.

Nothing here was measured on a real piece.  Vectors are in part axes of the nominal frame, mm.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field

import numpy as np
from scipy.spatial.transform import Rotation

from demo.geometry import design as d
from demo.geometry.design import Point3
from demo.geometry.head import Faults
from worker.records import Floats
from worker.rigid import RigidTransform

SCALE_CENTRE: Point3 = (0.0, 0.0, 56.5)  # near the middle of the surface, so that a rigid fit stays put
DEEP_PORT = "exhaust_1"


@dataclass(frozen=True, kw_only=True)
class Piece:
    """How one piece and its scan differ from nominal.

    size_ratio : piece / nominal, about ``SCALE_CENTRE``, before any warp
    bow_mm : height of the middle above the ends, along x, moved in z; its mean over the length is zero
    roughness_rms_mm, roughness_length_mm : of the skin, along the normal; correlation exp(-r^2 / 2 length^2)
    noise_mm : standard deviation of the scanner along the normal
    deep_port_seen_mm : depth from the flange to which the port ``DEEP_PORT`` was seen; None for no such limit
    """

    name: str
    seed: int
    point_count: int
    size_ratio: float
    faults: Faults = field(default_factory=Faults)
    bow_mm: float = 0.0
    roughness_rms_mm: float = 0.0
    roughness_length_mm: float = 1.5
    noise_mm: float = 0.03
    deep_port_seen_mm: float | None = None

    def points_of_piece(self, points_mm: Floats) -> Floats:
        """Where points of the unscaled solid, (n, 3) mm nominal frame, end up on the piece, same frame."""
        centre = np.array(SCALE_CENTRE)
        scaled = centre + self.size_ratio * (points_mm - centre)
        along = scaled[:, 0] / d.BODY_HALF_LENGTH
        scaled[:, 2] += self.bow_mm * ((1.0 - along**2) - 2.0 / 3.0)
        return np.asarray(scaled, dtype=np.float64)

    def points_of_nominal(self, points_mm: Floats) -> Floats:
        """The way back from ``points_of_piece``."""
        centre = np.array(SCALE_CENTRE)
        straight = points_mm.copy()
        straight[:, 2] -= self.bow_mm * ((1.0 - (straight[:, 0] / d.BODY_HALF_LENGTH) ** 2) - 2.0 / 3.0)
        return np.asarray(centre + (straight - centre) / self.size_ratio, dtype=np.float64)

    def T_scan_nominal(self) -> RigidTransform:
        """Pose in which the scanner saw the piece, drawn from the seed."""
        rng = np.random.default_rng(self.seed)
        rotation = Rotation.random(rng=rng).as_matrix()
        return RigidTransform(rotation, rng.uniform(-250.0, 250.0, size=3))


PRINT_SHRINK_PERCENT = 0.4
CASTING_ALLOWANCE_PERCENT = 1.3
CASTING_SHRINK_PERCENT = 1.1
JACKET_SHIFT_MM: Point3 = (0.0, -0.60, -0.45)  # length exactly 0.75
LEAST_WALL_ON_CASTING_MM = {"intake_1": 5.56, "intake_2": 5.56, "exhaust_1": 5.26, "exhaust_2": 5.26}
# port to jacket, roughness apart; read off the displaced solids
BOLT_OFF_PLACE = 7
BOLT_SHIFT_MM = (0.30, -0.40)  # length exactly 0.50
ROD_SIZES_MM = {"9/16 in": 14.2875, "5/8 in": 15.875}
STUD_SITES_FREE = 2  # corners of an intake flange: the two studs take the others

PRINT = Piece(
    name="print",
    seed=20240611,
    point_count=700_000,
    size_ratio=1.0 / (1.0 + PRINT_SHRINK_PERCENT / 100.0),
    bow_mm=0.15,
)
CASTING = Piece(
    name="casting",
    seed=20240903,
    point_count=600_000,
    size_ratio=(1.0 + CASTING_ALLOWANCE_PERCENT / 100.0) / (1.0 + CASTING_SHRINK_PERCENT / 100.0),
    faults=Faults(core_shift_mm={"water_jacket": JACKET_SHIFT_MM}, bolt_shift_mm={BOLT_OFF_PLACE: BOLT_SHIFT_MM}),
    roughness_rms_mm=0.06,
    deep_port_seen_mm=24.0,
)


def truth() -> dict[str, object]:
    """Everything planted, for a program to compare a report with."""
    return {
        "note": "Invented. Planted faults of the two demonstration scans; nominal frame, mm, unless named otherwise.",
        "scale_centre_mm": list(SCALE_CENTRE),
        "print": _common_truth(PRINT)
        | {
            "shrink_percent_of_piece": PRINT_SHRINK_PERCENT,
            "bow_mm": PRINT.bow_mm,
            "bow_formula": f"z += bow_mm * ((1 - (x / {d.BODY_HALF_LENGTH:g})^2) - 2/3), x on the scaled piece",
            "missing": "inside surfaces that no scanner view reaches: most of the jacket, the bends of the ports",
            "clutter": "a patch of table at the -x end, and 200 stray points",
        },
        "casting": _common_truth(CASTING)
        | {
            "shrink_allowance_percent": CASTING_ALLOWANCE_PERCENT,
            "shrink_percent_of_piece": CASTING_SHRINK_PERCENT,
            "core_shift_mm": {"water_jacket": list(JACKET_SHIFT_MM)},
            "core_shift_length_mm": 0.75,
            "core_shift_on_piece_mm": [CASTING.size_ratio * part for part in JACKET_SHIFT_MM],
            "least_wall_port_to_jacket_mm": LEAST_WALL_ON_CASTING_MM,
            "bolt_hole": _bolt_truth(),
            "gap_of_rod_3_mm": {size: round(rod_3_gap_mm(diameter), 3) for size, diameter in ROD_SIZES_MM.items()},
            "sites_for_studs_on_intake_flange_2": STUD_SITES_FREE,
            "roughness_rms_mm": CASTING.roughness_rms_mm,
            "roughness_length_mm": CASTING.roughness_length_mm,
            "missing": f"port {DEEP_PORT} deeper than {CASTING.deep_port_seen_mm} mm from its flange (burnt-on sand)",
            "deep_port": DEEP_PORT,
            "deep_port_seen_mm": CASTING.deep_port_seen_mm,
        },
    }


def truth_text() -> str:
    """The same as JSON text."""
    return json.dumps(truth(), indent=2) + "\n"


def rod_3_gap_mm(diameter_mm: float) -> float:
    """Least gap round a rod in its hole of the casting, roughness apart: the rod where the plan has it, below 0 cuts.

    The hole is upright and the rod straight, so that the gap is least where the rod enters or leaves.
    """
    start, end = np.array(d.PUSH_ROD_3_ENDS)
    x, y = d.PUSH_ROD_XY[2]
    mouths = CASTING.points_of_piece(np.array([[x, y, 0.0], [x, y, d.WELL_FLOOR_Z]]))
    share = (mouths[:, 2] - start[2]) / (end[2] - start[2])
    axis = start + share[:, None] * (end - start)
    off = np.linalg.norm((axis - mouths)[:, :2], axis=1).max()
    return float(CASTING.size_ratio * d.PUSH_ROD_HOLE_RADIUS - off - diameter_mm / 2)


def _common_truth(piece: Piece) -> dict[str, object]:
    return {
        "seed": piece.seed,
        "point_count_before_gaps": piece.point_count,
        "size_ratio": piece.size_ratio,
        "noise_mm": piece.noise_mm,
        "T_nominal_scan": piece.T_scan_nominal().inverse().matrix().tolist(),
    }


def _bolt_truth() -> dict[str, object]:
    x, y = d.BOLT_XY[BOLT_OFF_PLACE]
    cast = CASTING.points_of_piece(np.array([[x + BOLT_SHIFT_MM[0], y + BOLT_SHIFT_MM[1], 0.0]]))[0]
    return {
        "number": BOLT_OFF_PLACE,
        "nominal_xy_mm": [x, y],
        "shift_mm": list(BOLT_SHIFT_MM),
        "shift_length_mm": 0.50,
        "axis_xy_on_piece_mm": cast[:2].tolist(),
    }
