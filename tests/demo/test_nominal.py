"""The head is one sound solid, and its cores are the cores of its cavities."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeVertex
from OCP.BRepExtrema import BRepExtrema_DistShapeShape
from OCP.gp import gp_Pnt
from OCP.TopAbs import TopAbs_SHELL
from scipy.spatial import cKDTree

from demo.geometry import design as d
from demo.geometry.design import Port
from demo.geometry.facets import facets_of
from demo.geometry.head import Faults, Head, displaced
from demo.geometry.planted import CASTING, JACKET_SHIFT_MM, LEAST_WALL_ON_CASTING_MM, truth
from demo.geometry.skin import sample_skin
from demo.geometry.solids import Shape, area_mm2, faces_of, is_valid, parts_of, volume_mm3
from demo.geometry.step_file import read_solid, write_step
from worker.records import Floats

DATA = Path(__file__).parents[2] / "demo" / "data"
CORES = ("intake_1", "intake_2", "exhaust_1", "exhaust_2", "water_jacket")


def distance_to(shape: Shape, point_mm: Floats) -> float:
    vertex = BRepBuilderAPI_MakeVertex(gp_Pnt(*point_mm.tolist())).Vertex()
    return min(float(BRepExtrema_DistShapeShape(vertex, face).Value()) for face in faces_of(shape))


def least_wall_mm(jacket_mm: Floats, port: Port) -> float:
    """Least metal between points of the jacket, (n, 3) mm, and a port: distance to its centre line less its radius.

    True to a hundredth of the radius's growth along the line, 0.0002 mm here.
    """
    t = np.linspace(0.0, 1.0, 4001)
    bernstein = np.column_stack([(1 - t) ** 3, 3 * t * (1 - t) ** 2, 3 * t**2 * (1 - t), t**3])
    from_line, nearest = cKDTree(bernstein @ np.array(port.spine)).query(jacket_mm)
    radius = port.throat_radius + (port.exit_radius - port.throat_radius) * t[nearest]
    return float((from_line - radius)[jacket_mm[:, 2] > d.SEAT_TOP_Z].min())


@pytest.fixture(scope="module")
def jacket_mm(built: Head) -> Floats:
    """Points of the jacket core as designed."""
    core = built.cores["water_jacket"]
    return sample_skin(core, facets_of(core), 100_000, np.random.default_rng(5)).points_mm


def test_committed_head_is_one_valid_solid_with_one_shell(committed: Shape) -> None:
    assert is_valid(committed)
    assert len(parts_of(committed, TopAbs_SHELL)) == 1  # so the jacket opens to the outside


def test_faulty_head_is_a_valid_solid(cast_head: Head) -> None:
    assert is_valid(cast_head.solid)


def test_facets_enclose_the_volume_the_solid_states(committed: Shape) -> None:
    facets = facets_of(committed)
    corners = facets.vertices_mm[facets.triangles]
    enclosed = np.einsum("ij,ij->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])) / 6.0
    assert enclosed == pytest.approx(volume_mm3(committed), rel=5e-4)


def test_head_fills_its_stated_box(committed: Shape) -> None:
    vertices = facets_of(committed).vertices_mm
    assert vertices.min(axis=0) == pytest.approx([-d.BODY_HALF_LENGTH, -d.FLANGE_FACE_Y, 0.0], abs=1e-6)
    assert vertices.max(axis=0) == pytest.approx([d.OUTLET_FACE_X, d.FLANGE_FACE_Y, d.RAIL_TOP_Z], abs=1e-6)


def test_committed_step_is_what_the_script_builds(committed: Shape, built: Head) -> None:
    assert volume_mm3(committed) == pytest.approx(volume_mm3(built.solid), rel=1e-5)
    assert area_mm2(committed) == pytest.approx(area_mm2(built.solid), rel=1e-5)
    assert len(faces_of(committed)) == len(faces_of(built.solid))
    skin = sample_skin(built.solid, facets_of(built.solid), 30, np.random.default_rng(2))
    assert max(distance_to(committed, point) for point in skin.points_mm) < 1e-3


def test_same_solid_gives_the_same_step_bytes(built: Head, tmp_path: Path) -> None:
    first, second = tmp_path / "first.step", tmp_path / "second.step"
    write_step(built.cores["intake_1"], first, name="intake_1")
    write_step(built.cores["intake_1"], second, name="intake_1")
    assert first.read_bytes() == second.read_bytes()


def test_step_carries_the_names_of_faces() -> None:
    text = (DATA / "head.step").read_text(encoding="ascii")
    wanted = ["deck", "chamber_1", "intake_1", "exhaust_2", "water_jacket", *(f"bolt_{n}" for n in d.BOLT_XY)]
    assert [name for name in wanted if f"ADVANCED_FACE('{name}'" not in text] == []


@pytest.mark.parametrize("name", CORES)
def test_cavity_of_the_head_lies_on_the_committed_core(built: Head, name: str) -> None:
    core = read_solid(DATA / "cores" / f"{name}.step")
    names = np.array([face_name for _, face_name in built.face_names])
    skin = sample_skin(built.solid, facets_of(built.solid), 20_000, np.random.default_rng(3))
    cavity = skin.points_mm[names[skin.face] == name][:25]
    assert len(cavity) == 25
    assert max(distance_to(core, point) for point in cavity) < 1e-3


@pytest.mark.parametrize("port", d.PORTS, ids=lambda port: port.name)
def test_wall_between_port_and_jacket_is_as_designed(jacket_mm: Floats, port: Port) -> None:
    assert least_wall_mm(jacket_mm, port) == pytest.approx(
        d.PORT_WALL, abs=0.01
    )  # OpenCASCADE approximates the pipes: 0.006 off


@pytest.mark.parametrize("port", d.PORTS, ids=lambda port: port.name)
def test_truth_states_the_wall_the_displaced_jacket_leaves(jacket_mm: Floats, port: Port) -> None:
    wall = CASTING.size_ratio * least_wall_mm(jacket_mm + np.array(JACKET_SHIFT_MM), port)
    assert wall == pytest.approx(LEAST_WALL_ON_CASTING_MM[port.name], abs=0.01)


def leaves(document: Any, path: str = "") -> dict[str, Any]:
    """Every value of nested dicts and lists by its path."""
    if not isinstance(document, dict | list):
        return {path: document}
    items = document.items() if isinstance(document, dict) else enumerate(document)
    return {key: leaf for name, part in items for key, leaf in leaves(part, f"{path}/{name}").items()}


def test_committed_truth_is_what_was_planted() -> None:
    committed = leaves(json.loads((DATA / "truth.json").read_text(encoding="utf-8")))
    planted = leaves(json.loads(json.dumps(truth())))
    assert committed.keys() == planted.keys()
    for path, value in planted.items():  # processors differ in the last digits of a matrix product
        assert committed[path] == (pytest.approx(value, abs=1e-9) if isinstance(value, float) else value), path


def test_unknown_core_is_refused() -> None:
    with pytest.raises(ValueError, match="no such core"):
        displaced({}, Faults(core_shift_mm={"oil_gallery": (0.0, 0.0, 1.0)}).core_shift_mm)
