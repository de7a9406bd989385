"""Files that other programs read."""

from __future__ import annotations

import io

import numpy as np
import trimesh

from worker.walls.files import scalar_ply, table_csv

POINTS = np.array([[0.0, 0.0, 0.0], [1.5, 0.0, 0.0], [0.0, 2.0, 0.0], [0.0, 0.0, 1e4 + 1e-7]])
TRIANGLES = np.array([[0, 1, 2], [0, 2, 3]])


def test_a_ply_keeps_places_triangles_and_values() -> None:
    content = scalar_ply(POINTS, TRIANGLES, "room_mm", np.array([0.5, -0.25, np.nan, 6.0]))
    mesh = trimesh.load(io.BytesIO(content), file_type="ply", process=False)
    assert np.array_equal(mesh.vertices, POINTS)
    assert np.array_equal(mesh.faces, TRIANGLES)
    values = np.asarray(mesh.metadata["_ply_raw"]["vertex"]["data"]["room_mm"]).reshape(-1)
    assert np.array_equal(values, [0.5, -0.25, np.nan, 6.0], equal_nan=True)


def test_a_csv_leaves_empty_what_is_not_known() -> None:
    content = table_csv(("x", "room_mm"), np.array([[1.0, 0.123456789], [2.0, np.nan]]))
    assert content.decode().splitlines() == ["x,room_mm", "1,0.123457", "2,"]
