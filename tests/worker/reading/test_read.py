"""The public functions: records in mm, notes for every change, both files at once."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest

from shared.errors import FileEmpty, FileKindWrong, FileTruncated, FileValuesInvalid
from shared.units import LengthUnit
from tests.support.model_files import (
    BOX_POINTS,
    BOX_TRIANGLES,
    binary_stl,
    mesh_object,
    pcd,
    ply,
    source,
    sphere,
    threemf,
)
from tests.support.step_files import rod, write_step
from worker.reading import read_body, read_nominal, read_pair, read_scan
from worker.reading.parsed import Floats
from worker.records import Scan, SurfaceKind

STL = binary_stl(BOX_POINTS, BOX_TRIANGLES)


def scan_of(folder: Path, name: str, content: bytes, unit: LengthUnit | None = LengthUnit.MILLIMETRE) -> Scan:
    (folder / name).write_bytes(content)
    return read_scan(source(folder / name, unit))


def random_cloud(count: int = 500) -> Floats:
    return np.random.default_rng(0).normal(size=(count, 3)).astype(np.float32).astype(np.float64)


def test_a_mesh_nominal_has_a_freeform_face_for_every_flat_side(tmp_path: Path) -> None:
    (tmp_path / "box.stl").write_bytes(STL)
    nominal = read_nominal(source(tmp_path / "box.stl"))
    assert nominal.is_watertight
    assert {face.kind for face in nominal.faces} == {SurfaceKind.FREEFORM}
    assert sorted(face.area_mm2 for face in nominal.faces) == pytest.approx([200, 200, 300, 300, 600, 600])
    assert sorted(set(nominal.triangle_face.tolist())) == [face.index for face in nominal.faces]
    assert nominal.chord_tolerance_mm is None


def test_an_inch_mesh_comes_out_in_millimetres(tmp_path: Path) -> None:
    (tmp_path / "box.stl").write_bytes(STL)
    nominal = read_nominal(source(tmp_path / "box.stl", LengthUnit.INCH))
    np.testing.assert_allclose(np.ptp(nominal.vertices_mm, axis=0), np.array([30, 20, 10]) * 25.4, rtol=1e-6)
    assert nominal.declared_unit is None


def test_an_open_nominal_is_taken_with_a_note(tmp_path: Path) -> None:
    (tmp_path / "box.stl").write_bytes(binary_stl(BOX_POINTS, BOX_TRIANGLES[1:]))
    nominal = read_nominal(source(tmp_path / "box.stl"))
    assert not nominal.is_watertight
    assert any("not closed" in note for note in nominal.notes)


def test_a_body_must_be_closed(tmp_path: Path) -> None:
    path = write_step(tmp_path / "core.step", rod(5.0, 30.0))
    core = read_body(source(path), name="jacket", role="core")
    assert (core.name, core.role) == ("jacket", "core")
    (tmp_path / "open.stl").write_bytes(binary_stl(BOX_POINTS, BOX_TRIANGLES[1:]))
    with pytest.raises(FileKindWrong, match="closed"):
        read_body(source(tmp_path / "open.stl"), name="jacket", role="core")


def test_a_scan_mesh_gets_normals_and_a_cloud_without_them_has_none(tmp_path: Path) -> None:
    mesh = scan_of(tmp_path, "ball.stl", binary_stl(*sphere(10.0)))
    cloud = scan_of(tmp_path, "cloud.ply", ply(random_cloud()))
    assert mesh.normals is not None
    assert mesh.triangles is not None
    np.testing.assert_allclose(np.einsum("ij,ij->i", mesh.normals, mesh.points_mm), 10.0, rtol=1e-3)
    assert cloud.normals is None
    assert cloud.triangles is None


def test_normals_of_a_cloud_become_unit_vectors(tmp_path: Path) -> None:
    points = random_cloud()
    scan = scan_of(tmp_path, "cloud.ply", ply(points, normals=3.0 * points))
    assert scan.normals is not None
    np.testing.assert_allclose(np.linalg.norm(scan.normals, axis=1), 1.0, atol=1e-12)


@pytest.mark.parametrize(("bad", "kept"), [(3, True), (300, False)])
def test_few_missing_normals_cost_their_points_many_cost_all_normals(tmp_path: Path, bad: int, *, kept: bool) -> None:
    points = random_cloud()
    normals = points.copy()
    normals[:bad] = 0.0
    scan = scan_of(tmp_path, "cloud.ply", ply(points, normals=normals))
    assert (scan.normals is not None) is kept
    assert len(scan.points_mm) == (500 - bad if kept else 500)
    assert str(bad) in scan.notes[0]


@pytest.mark.parametrize("gap_count", [1, 5])
def test_a_few_points_without_numbers_are_dropped_and_counted(tmp_path: Path, gap_count: int) -> None:
    points = random_cloud()
    points[:gap_count] = np.nan
    scan = scan_of(tmp_path, "cloud.ply", ply(points))
    assert len(scan.points_mm) == 500 - gap_count
    assert any(f"{gap_count} points" in note for note in scan.notes)


def test_more_than_a_percent_without_numbers_is_a_broken_file_but_usual_in_pcd(tmp_path: Path) -> None:
    points = random_cloud()
    points[:100] = np.nan
    with pytest.raises(FileValuesInvalid, match="20"):
        scan_of(tmp_path, "cloud.ply", ply(points))
    assert len(scan_of(tmp_path, "cloud.pcd", pcd(points)).points_mm) == 400


def test_points_that_repeat_are_dropped_and_counted(tmp_path: Path) -> None:
    points = random_cloud()
    scan = scan_of(tmp_path, "cloud.ply", ply(np.vstack([points, points[:40]])))
    assert len(scan.points_mm) == 500
    assert any("40 points" in note for note in scan.notes)


def test_a_scan_of_one_place_is_empty(tmp_path: Path) -> None:
    with pytest.raises(FileEmpty):
        scan_of(tmp_path, "dot.xyz", b"1 2 3\n1 2 3\n")


@pytest.mark.parametrize(
    ("name", "content", "quantum_mm"),
    [
        ("a.ply", ply(BOX_POINTS), float(np.spacing(np.float32(30.0)))),
        ("a.ply", ply(BOX_POINTS, number="double"), float(np.spacing(30.0))),
        ("a.xyz", b"1.25 2.25 3.25\n4.5 5.5 60.5\n", 0.01),
        ("a.xyz", b"1.5e-1 2.5e-1 3.5e+1\n4.5e0 5.5e0 6.5e1\n", 0.01),
    ],
)
def test_the_step_of_the_number_format_is_reported(
    tmp_path: Path, name: str, content: bytes, quantum_mm: float
) -> None:
    assert scan_of(tmp_path, name, content).quantum_mm == pytest.approx(quantum_mm)


def test_a_3mf_needs_no_stated_unit(tmp_path: Path) -> None:
    content = threemf(mesh_object(1, BOX_POINTS, BOX_TRIANGLES), '<item objectid="1"/>', unit="inch")
    scan = scan_of(tmp_path, "box.3mf", content, unit=None)
    assert scan.declared_unit == "inch"
    np.testing.assert_allclose(scan.points_mm.max(axis=0), np.array([30, 20, 10]) * 25.4)


def test_both_files_are_read_at_once_and_in_threads(tmp_path: Path) -> None:
    (tmp_path / "part.stl").write_bytes(STL)
    (tmp_path / "scan.ply").write_bytes(ply(random_cloud()))
    part, scan = source(tmp_path / "part.stl"), source(tmp_path / "scan.ply")
    with ThreadPoolExecutor(4) as pool:
        pairs = list(pool.map(lambda _: read_pair(part, scan), range(4)))
    assert {(len(nominal.triangles), len(cloud.points_mm)) for nominal, cloud in pairs} == {(12, 500)}


def test_the_nominals_error_comes_first(tmp_path: Path) -> None:
    (tmp_path / "part.stl").write_bytes(STL[:-1])
    (tmp_path / "scan.ply").write_bytes(b"ply\nnonsense")
    with pytest.raises(FileTruncated, match=r"part\.stl"):
        read_pair(source(tmp_path / "part.stl"), source(tmp_path / "scan.ply"))
