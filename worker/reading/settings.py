"""Limits on hostile or broken input, and how finely a B-rep is cut into triangles."""

from __future__ import annotations

from dataclasses import dataclass

MIB = 1024**2
GIB = 1024**3


@dataclass(frozen=True, kw_only=True)
class ReadLimits:
    """What a file may cost before it is refused. Every limit has a named error."""

    file_bytes: int = 4 * GIB  # 20 M points with normals as text are 1.4 GB; twice that twice over
    triangle_count: int = 20_000_000  # 20 times a dense nominal; 0.5 GB of indices
    point_count: int = 50_000_000  # 2.5 times the 20 M points the service promises within 6 GB
    coordinate_mm: float = 1e6  # 1 km; float32 steps there are 0.06 mm, so nothing farther can be measured
    gap_share: float = 0.01  # non-finite points of a scan that count as stray; more is a broken export
    line_bytes: int = 65_536  # a 5,000-gon fits; one text reader was seen to cut longer lines in the middle
    header_bytes: int = 65_536  # a PLY or PCD header is under 2 kB
    expanded_bytes: int = 4 * GIB  # a 3MF's content, same bound as a plain file
    expansion_ratio: float = 200.0  # mesh XML shrinks 4 to 30 times; zip bombs 1,000 times
    small_expansion_bytes: int = 16 * MIB  # below this the ratio does not matter: a tiny repetitive file is harmless
    child_memory_bytes: int = 6 * GIB  # the whole inspection's budget; address space, so mapped files count
    child_cpu_s: int = 600  # 20 M text points take 15 s, a 200-face STEP 10 s; rest is for slow machines
    child_wall_s: float = 900.0  # the same with a busy machine


@dataclass(frozen=True, kw_only=True)
class TessellationSettings:
    """How finely a B-rep is cut.

    Tolerance = share_of_diagonal x diagonal of the bounding box, kept between least and most.
    """

    share_of_diagonal: float = 4e-5  # 0.009 mm on a 230 mm head, a third of a good scanner's noise
    least_mm: float = 0.001  # finer than any scan can see
    most_mm: float = 0.01  # a fiftieth of a 0.5 mm casting tolerance
    angular_rad: float = 0.1  # 63 segments round a bore; normals within 3 degrees
    coarse_factor: float = 10.0  # the mesher's own tolerance inside faces; 4 and 20 took longer on a head's ports
    coarse_angular_rad: float = 0.3  # the same for directions
    triangle_count: int = 2_000_000  # above this the tolerance is doubled, and a note says so
    coarsening_count: int = 4  # doublings tried before the file is refused as too large


@dataclass(frozen=True, kw_only=True)
class MeshSettings:
    """How a mesh without faces is cut into patches, and what counts as one vertex."""

    crease_rad: float = 0.5235987755982988  # 30 degrees: above facet steps of coarse fillets, below any chamfer
    merge_quanta: float = 4.0  # a corner written twice may differ by one rounding step in each of x, y, z
