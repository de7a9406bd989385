"""STEP: units, faces, sides, names, assemblies; volume and area against OpenCASCADE's own integration."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
from OCP.BRepGProp import BRepGProp
from OCP.BRepPrimAPI import (
    BRepPrimAPI_MakeBox,
    BRepPrimAPI_MakeCone,
    BRepPrimAPI_MakeCylinder,
    BRepPrimAPI_MakeSphere,
    BRepPrimAPI_MakeTorus,
)
from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt
from OCP.GProp import GProp_GProps

from shared.errors import FileCorrupt, FileEmpty, FileTruncated
from shared.units import LengthUnit
from tests.support.model_files import opened, source
from tests.support.step_files import StepDocument, drilled_block, eccentric_tube, rod, write_step
from worker.reading import TessellationSettings, read_nominal
from worker.reading.parsed import ParsedBrep
from worker.reading.settings import ReadLimits
from worker.reading.shape import area_vectors, areas_of, signed_volume
from worker.reading.step import check_frame, read_step
from worker.records import Face, Nominal, SurfaceKind

COARSE = TessellationSettings(least_mm=0.05, most_mm=0.05)  # enough where only faces matter


def parse(path: Path, settings: TessellationSettings | None = None) -> ParsedBrep:
    return read_step(opened(path, path.read_bytes()), ReadLimits(), settings or TessellationSettings())


def volume(nominal: Nominal | ParsedBrep) -> float:
    points = nominal.vertices_mm if isinstance(nominal, Nominal) else nominal.points
    return signed_volume(points, nominal.triangles, area_vectors(points, nominal.triangles))


def faces_of_kind(nominal: Nominal, kind: SurfaceKind) -> list[Face]:
    return [face for face in nominal.faces if face.kind is kind]


@pytest.mark.parametrize(("unit", "word"), [("MM", "mm"), ("INCH", "inch"), ("M", "m")])
def test_a_step_in_any_unit_comes_out_in_millimetres(tmp_path: Path, unit: str, word: str) -> None:
    nominal = read_nominal(source(write_step(tmp_path / "block.step", drilled_block(), unit), unit=None))
    (hole,) = faces_of_kind(nominal, SurfaceKind.CYLINDER)
    assert nominal.declared_unit == word
    np.testing.assert_allclose(np.ptp(nominal.vertices_mm, axis=0), [60.0, 40.0, 20.0], atol=1e-6)
    assert hole.radius_mm == pytest.approx(6.35, abs=1e-9)
    assert hole.is_hole
    assert nominal.is_watertight


def test_a_stated_unit_yields_to_the_file_with_a_note(tmp_path: Path) -> None:
    path = write_step(tmp_path / "block.step", drilled_block(), "INCH")
    nominal = read_nominal(source(path, LengthUnit.MILLIMETRE))
    assert nominal.declared_unit == "inch"
    assert any("inch" in note and "mm" in note for note in nominal.notes)


def test_plane_normals_point_out_of_material(tmp_path: Path) -> None:
    nominal = read_nominal(source(write_step(tmp_path / "block.step", drilled_block())))
    planes = faces_of_kind(nominal, SurfaceKind.PLANE)
    outward = [(face.origin_mm - np.array([30.0, 20.0, 10.0])) @ face.axis for face in planes]
    assert len(planes) == 6
    assert min(outward) > 0


def test_the_eccentric_tube_has_the_published_volume(tmp_path: Path) -> None:
    # gmsh 4.15 with OpenCASCADE gives 16493.3614 mm3, which is pi (R^2 - r^2) L
    nominal = read_nominal(source(write_step(tmp_path / "tube.step", eccentric_tube())))
    outer, bore = sorted(faces_of_kind(nominal, SurfaceKind.CYLINDER), key=lambda face: -(face.radius_mm or 0.0))
    chord = nominal.chord_tolerance_mm or 0.0
    assert volume(nominal) == pytest.approx(16493.3614, abs=chord * 2 * np.pi * 35 * 30)
    assert [outer.radius_mm, bore.radius_mm] == pytest.approx([20.0, 15.0])
    assert [outer.is_hole, bore.is_hole] == [False, True]
    assert bore.area_mm2 == pytest.approx(2 * np.pi * 15 * 30)


def test_finer_tessellation_converges_to_the_kernels_own_volume_and_area(tmp_path: Path) -> None:
    shape = eccentric_tube()
    true = GProp_GProps()
    BRepGProp.VolumeProperties_s(shape, true)
    path = write_step(tmp_path / "tube.step", shape)
    errors = []
    for tolerance in (0.08, 0.02):
        settings = TessellationSettings(least_mm=tolerance, most_mm=tolerance, angular_rad=1.0)
        errors.append(abs(volume(parse(path, settings)) - true.Mass()))
    assert errors[1] < 0.4 * errors[0]
    assert errors[1] / true.Mass() < 2e-3


def test_the_area_of_a_face_is_the_kernels_own(tmp_path: Path) -> None:
    brep = parse(write_step(tmp_path / "ball.step", BRepPrimAPI_MakeSphere(12.0).Shape()), COARSE)
    (ball,) = brep.faces
    meshed = areas_of(area_vectors(brep.points, brep.triangles)).sum()
    assert ball["area_mm2"] == pytest.approx(4 * np.pi * 144)
    assert 0 < 4 * np.pi * 144 - meshed < 4 * np.pi * 144 * 5e-3  # a fold at a pole would make it larger


def cut(body: Any, tool: Any) -> Any:
    return BRepAlgoAPI_Cut(body, tool).Shape()


def torus() -> Any:
    return BRepPrimAPI_MakeTorus(20.0, 5.0).Shape()


def cone() -> Any:
    return BRepPrimAPI_MakeCone(gp_Ax2(gp_Pnt(1, 2, 3), gp_Dir(0, 0, 1)), 12.0, 4.0, 16.0).Shape()


BIG = (80.0, 80.0, 80.0)


def in_a_block(tool: Any) -> Any:
    return cut(BRepPrimAPI_MakeBox(gp_Pnt(-40, -40, -40), *BIG).Shape(), tool)


@pytest.mark.parametrize(
    ("make", "kind"),
    [
        (lambda: BRepPrimAPI_MakeCylinder(10.0, 20.0).Shape(), SurfaceKind.CYLINDER),
        (cone, SurfaceKind.CONE),
        (lambda: BRepPrimAPI_MakeSphere(10.0).Shape(), SurfaceKind.SPHERE),
        (torus, SurfaceKind.TORUS),
    ],
)
def test_boss_and_pocket_of_the_same_surface_are_told_apart(tmp_path: Path, make: Any, kind: SurfaceKind) -> None:
    boss = parse(write_step(tmp_path / "boss.step", make()), COARSE)
    pocket = parse(write_step(tmp_path / "pocket.step", in_a_block(make())), COARSE)
    sides = [[face["is_hole"] for face in brep.faces if face["kind"] == kind] for brep in (boss, pocket)]
    assert sides == [[False], [True]]


def test_a_torus_tells_both_radii(tmp_path: Path) -> None:
    (face,) = parse(write_step(tmp_path / "ring.step", torus()), COARSE).faces
    assert (face["radius_mm"], face["minor_radius_mm"]) == (pytest.approx(20.0), pytest.approx(5.0))
    np.testing.assert_allclose(np.abs(face["axis"]), [0, 0, 1], atol=1e-12)


def test_a_cone_grows_along_its_axis_from_the_radius_at_its_origin(tmp_path: Path) -> None:
    brep = parse(write_step(tmp_path / "cone.step", cone()), COARSE)
    (face,) = [face for face in brep.faces if face["kind"] == "cone"]
    offset = np.array([13.0, 2.0, 3.0]) - face["origin_mm"]  # a point on the wide rim
    along = offset @ np.array(face["axis"])
    assert face["half_angle_rad"] == pytest.approx(np.arctan(0.5))
    assert face["radius_mm"] + along * np.tan(face["half_angle_rad"]) == pytest.approx(12.0)


def test_names_and_colours_stay_with_their_faces(tmp_path: Path) -> None:
    document = StepDocument()
    block = drilled_block()
    label = document.add(block, {0: "intake flange", 3: "deck"})
    document.paint(label, (0.5, 0.5, 0.5))
    brep = parse(document.write(tmp_path / "block.step"))
    assert sorted(str(face["name"]) for face in brep.faces if face["name"]) == ["deck", "intake flange"]
    np.testing.assert_allclose([face["color"] for face in brep.faces], 0.5, atol=1e-3)


def test_parts_of_an_assembly_stand_where_they_are_placed(tmp_path: Path) -> None:
    document = StepDocument()
    document.assemble(document.add(rod(5.0, 10.0)), [(0.0, 0.0, 0.0), (100.0, 0.0, 7.0)])
    nominal = read_nominal(source(document.write(tmp_path / "pair.step", "INCH")))
    np.testing.assert_allclose(nominal.vertices_mm.min(axis=0), [-5, -5, 0], atol=0.02)
    np.testing.assert_allclose(nominal.vertices_mm.max(axis=0), [105, 5, 17], atol=0.02)
    origins = np.array([face.origin_mm for face in faces_of_kind(nominal, SurfaceKind.CYLINDER)])
    np.testing.assert_allclose(np.sort(origins[:, 0]), [0.0, 100.0], atol=1e-6)


def test_the_stated_chord_tolerance_holds_on_a_sphere(tmp_path: Path) -> None:
    brep = parse(write_step(tmp_path / "ball.step", BRepPrimAPI_MakeSphere(15.0).Shape()), COARSE)
    middles = brep.points[brep.triangles].mean(axis=1)
    assert np.abs(np.linalg.norm(middles, axis=1) - 15.0).max() <= brep.chord_tolerance_mm
    assert brep.chord_tolerance_mm == pytest.approx(0.05, rel=0.2)
    np.testing.assert_allclose(np.linalg.norm(brep.points, axis=1), 15.0, atol=1e-7)


def test_the_tolerance_follows_the_size_of_the_part(tmp_path: Path) -> None:
    small = parse(write_step(tmp_path / "small.step", BRepPrimAPI_MakeCylinder(5.0, 40.0).Shape()))
    large = parse(write_step(tmp_path / "large.step", BRepPrimAPI_MakeCylinder(15.0, 120.0).Shape()))
    assert large.chord_tolerance_mm == pytest.approx(3 * small.chord_tolerance_mm, rel=0.2)


def test_too_many_triangles_double_the_tolerance_and_say_so(tmp_path: Path) -> None:
    path = write_step(tmp_path / "ball.step", BRepPrimAPI_MakeSphere(25.0).Shape())
    plain = parse(path, COARSE)
    coarse = parse(path, replace(COARSE, triangle_count=3000))
    assert len(coarse.triangles) <= 3000 < len(plain.triangles)
    assert coarse.chord_tolerance_mm >= 2 * plain.chord_tolerance_mm * 0.9
    assert any("intricate" in note for note in coarse.notes)


def test_touching_bodies_stay_closed(tmp_path: Path) -> None:
    fused = BRepAlgoAPI_Fuse(rod(10.0, 20.0), rod(4.0, 20.0, (0.0, 0.0, 20.0))).Shape()
    nominal = read_nominal(source(write_step(tmp_path / "stem.step", fused)))
    assert nominal.is_watertight
    assert volume(nominal) == pytest.approx(np.pi * (100 * 20 + 16 * 20), rel=1e-3)


def test_the_same_step_gives_the_same_bytes_twice(tmp_path: Path) -> None:
    path = write_step(tmp_path / "block.step", drilled_block())
    first, second = read_nominal(source(path)), read_nominal(source(path))
    assert first.vertices_mm.tobytes() == second.vertices_mm.tobytes()
    assert first.triangles.tobytes() == second.triangles.tobytes()


def test_a_step_without_its_last_line_is_truncated(tmp_path: Path) -> None:
    content = write_step(tmp_path / "block.step", drilled_block()).read_bytes()
    with pytest.raises(FileTruncated, match="END-ISO"):
        check_frame(opened(tmp_path / "cut.step", content[: len(content) // 2]))


def test_a_step_with_entities_missing_is_refused_not_guessed(tmp_path: Path) -> None:
    lines = write_step(tmp_path / "block.step", drilled_block()).read_bytes().splitlines(keepends=True)
    start = next(k for k, line in enumerate(lines) if line.startswith(b"DATA"))
    holed = b"".join(lines[: start + 1] + lines[-3:])
    with pytest.raises((FileEmpty, FileCorrupt)):
        read_nominal(source_of(tmp_path / "holed.step", holed))


def source_of(path: Path, content: bytes) -> Any:
    path.write_bytes(content)
    return source(path)
