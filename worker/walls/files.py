"""Files of values over a region: PLY for a viewer, CSV for a spreadsheet."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

import numpy as np

from worker.records import Floats, Ints


def scalar_ply(points_mm: Floats, triangles: Ints, name: str, values: Floats) -> bytes:
    """Binary little-endian PLY with one float property more for each vertex.

    points_mm : (n, 3), kept as double;  triangles : (t, 3);  values : (n,), NaN where nothing is known
    name : of the property: letters, digits and underscores
    """
    header = (
        "ply\nformat binary_little_endian 1.0\ncomment lengths in millimetres\n"
        f"element vertex {len(points_mm)}\n"
        "property double x\nproperty double y\nproperty double z\n"
        f"property float {name}\n"
        f"element face {len(triangles)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    vertex = np.empty(len(points_mm), dtype=[("place", "<f8", 3), ("value", "<f4")])
    vertex["place"], vertex["value"] = points_mm, values
    face = np.empty(len(triangles), dtype=[("count", "u1"), ("corner", "<i4", 3)])
    face["count"], face["corner"] = 3, triangles
    return header.encode("ascii") + vertex.tobytes() + face.tobytes()


def table_csv(columns: Sequence[str], rows: Floats) -> bytes:
    """Rows (n, c) of figures under their names, to a micrometre; NaN is an empty cell."""
    file = io.StringIO(newline="")
    writer = csv.writer(file)
    writer.writerow(columns)
    for row in rows:
        writer.writerow(["" if np.isnan(value) else f"{value:.6g}" for value in row])
    return file.getvalue().encode("ascii")
