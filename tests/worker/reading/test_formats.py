"""The same box in every format: same points, same surface, right unit, right step."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import trimesh

from shared.units import LengthUnit
from tests.support.e57_files import write_e57
from tests.support.model_files import (
    BOX_POINTS,
    BOX_QUADS,
    BOX_TRIANGLES,
    binary_stl,
    mesh_object,
    obj,
    pcd,
    ply,
    sphere,
    text_stl,
    threemf,
)
from worker.reading.lzf import lzf_decompress
from worker.reading.parsed import Floats, Ints, Parsed
from worker.reading.shape import area_vectors, signed_volume

Parse = Callable[..., Parsed]
VOLUME_MM3 = 6000.0  # 30 x 20 x 10
BOX_OBJECT = mesh_object(1, BOX_POINTS, BOX_TRIANGLES)
ITEM = '<item objectid="1"/>'

SURFACES = {
    "binary STL": ("box.stl", binary_stl(BOX_POINTS, BOX_TRIANGLES)),
    "text STL": ("box.stl", text_stl(BOX_POINTS, BOX_TRIANGLES)),
    "upper-case text STL": ("box.stl", text_stl(BOX_POINTS, BOX_TRIANGLES).upper()),
    "PLY little endian": ("box.ply", ply(BOX_POINTS, BOX_TRIANGLES)),
    "PLY big endian": ("box.ply", ply(BOX_POINTS, BOX_TRIANGLES, encoding="binary_big_endian")),
    "PLY double": ("box.ply", ply(BOX_POINTS, BOX_TRIANGLES, number="double")),
    "PLY text": ("box.ply", ply(BOX_POINTS, BOX_TRIANGLES, encoding="ascii")),
    "PLY text from DOS": ("box.ply", ply(BOX_POINTS, BOX_TRIANGLES, encoding="ascii").replace(b"\n", b"\r\n")),
    "OBJ": ("box.obj", obj(BOX_POINTS, BOX_TRIANGLES)),
    "OBJ of quads": ("box.obj", obj(BOX_POINTS, BOX_QUADS)),
    "OBJ from DOS": ("box.obj", obj(BOX_POINTS, BOX_TRIANGLES).replace(b"\n", b"\r\n")),
    "3MF": ("box.3mf", threemf(BOX_OBJECT, ITEM)),
}
SURFACES["OBJ with textures"] = (
    "box.obj",
    b"\n".join(
        line.replace(b" ", b"/7/ ").replace(b"f/7/", b"f") + b"/7/" if line.startswith(b"f") else line
        for line in obj(BOX_POINTS, BOX_TRIANGLES).split(b"\n")
    ),
)


@pytest.mark.parametrize("case", SURFACES)
def test_the_box_comes_out_whole(parse: Parse, case: str) -> None:
    parsed = parse(*SURFACES[case])
    assert parsed.triangles is not None
    vectors = area_vectors(parsed.points, parsed.triangles)
    assert len(parsed.triangles) == 12
    np.testing.assert_allclose(np.ptp(parsed.points, axis=0), [30, 20, 10], atol=1e-6)
    assert signed_volume(parsed.points, parsed.triangles, vectors) == pytest.approx(VOLUME_MM3)


@pytest.mark.parametrize("name", ["ball.stl", "ball.ply", "ball.obj"])
def test_a_sphere_reads_as_another_reader_reads_it(parse: Parse, tmp_path: Path, name: str) -> None:
    points, triangles = sphere(20.0)
    writers: dict[str, Callable[[Floats, Ints], bytes]] = {"stl": binary_stl, "ply": ply, "obj": obj}
    content = writers[name[-3:]](points, triangles)
    parsed = parse(name, content)
    other = trimesh.load_mesh(tmp_path / name, process=False)
    assert parsed.triangles is not None
    corners = parsed.points[parsed.triangles].reshape(-1, 9)
    np.testing.assert_allclose(corners, np.asarray(other.triangles).reshape(-1, 9), atol=1e-12)


def test_negative_corners_of_an_obj_count_back_from_where_they_stand(parse: Parse) -> None:
    parsed = parse("a.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf -3 -2 -1\nv 9 9 9\nv 8 8 8\nf -5 -4 -1\n")
    np.testing.assert_array_equal(parsed.triangles, [[0, 1, 2], [0, 1, 4]])


def test_continued_lines_of_an_obj_are_one(parse: Parse) -> None:
    parsed = parse("a.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 \\\n2 3\n")
    np.testing.assert_array_equal(parsed.triangles, [[0, 1, 2]])


def test_polygons_of_a_binary_ply_are_cut_into_fans(parse: Parse) -> None:
    body = b"".join(bytes([4]) + quad.astype("<i4").tobytes() for quad in BOX_QUADS[:3])
    body += bytes([3]) + BOX_TRIANGLES[3].astype("<i4").tobytes()
    parsed = parse("a.ply", ply(BOX_POINTS, BOX_TRIANGLES[:0]).replace(b"face 0", b"face 4") + body)
    np.testing.assert_array_equal(parsed.triangles[:2], [[0, 1, 3], [0, 3, 2]])  # type: ignore[index]
    np.testing.assert_array_equal(parsed.triangles[6], BOX_TRIANGLES[3])  # type: ignore[index]


@pytest.mark.parametrize(
    ("word", "unit"),
    [("inch", LengthUnit.INCH), ("micron", LengthUnit.MICROMETRE), ("meter", LengthUnit.METRE)],
)
def test_a_3mf_carries_its_unit(parse: Parse, word: str, unit: LengthUnit) -> None:
    assert parse("box.3mf", threemf(BOX_OBJECT, ITEM, unit=word)).unit is unit


def test_components_of_a_3mf_are_placed_and_mirrored_ones_stay_outward(parse: Parse) -> None:
    component = '<component objectid="1" transform="-1 0 0 0 1 0 0 0 1 100 0 0"/>'
    objects = BOX_OBJECT + f'<object id="2"><components>{component}</components></object>'
    parsed = parse("a.3mf", threemf(objects, '<item objectid="2" transform="1 0 0 0 1 0 0 0 1 0 5 0"/>'))
    assert parsed.triangles is not None
    np.testing.assert_allclose(parsed.points.min(axis=0), [70, 5, 0])
    vectors = area_vectors(parsed.points, parsed.triangles)
    assert signed_volume(parsed.points, parsed.triangles, vectors) == pytest.approx(VOLUME_MM3)


@pytest.mark.parametrize("encoding", ["ascii", "binary", "binary_compressed"])
def test_a_pcd_reads_the_same_in_every_encoding(parse: Parse, encoding: str) -> None:
    np.testing.assert_allclose(parse("a.pcd", pcd(BOX_POINTS, encoding)).points, BOX_POINTS)


def test_lzf_copies_may_overlap_what_they_write() -> None:
    packed = bytes([2]) + b"abc" + bytes([(4 << 5) | 0, 2])  # three literals, then six bytes from three back
    assert lzf_decompress(packed, 9) == b"abcabcabc"
    assert lzf_decompress(packed, 8) is None
    assert lzf_decompress(bytes([(1 << 5), 5]), 3) is None


@pytest.mark.parametrize(
    "text",
    [
        "1 2 3\n4 5 6\n",
        "1,2,3\n4,5,6\n",
        "1; 2; 3\n4; 5; 6\n",
        "1\t2\t3\r\n4\t5\t6\r\n",
        "# scanner\nX Y Z\n1 2 3\n4 5 6\n",
        "i,z [mm],y [mm],x [mm]\n0,3,2,1\n1,6,5,4\n",
        "1 2 3 200\n4 5 6 100",
        "\ufeff1 2 3\n4 5 6\n",
    ],
)
def test_point_lists_read_the_same_however_they_are_written(parse: Parse, text: str) -> None:
    np.testing.assert_allclose(parse("a.csv", text.encode()).points, [[1, 2, 3], [4, 5, 6]])


def test_named_normals_of_a_csv_are_read(parse: Parse) -> None:
    parsed = parse("a.csv", b"x,y,z,nx,ny,nz\n1,2,3,0,0,1\n4,5,6,0,1,0\n")
    np.testing.assert_allclose(parsed.normals, [[0, 0, 1], [0, 1, 0]])  # type: ignore[arg-type]


@pytest.mark.parametrize(("row", "taken"), [("0 0.6 0.8", True), ("255 128 0", False)])
def test_unnamed_columns_are_normals_only_if_they_are_unit_vectors(parse: Parse, row: str, *, taken: bool) -> None:
    parsed = parse("a.xyz", f"1 2 3 {row}\n4 5 6 {row}\n".encode())
    assert (parsed.normals is not None) is taken
    assert "normals" in parsed.notes[0]


def test_scans_of_an_e57_are_joined_by_their_poses_in_metres(parse: Parse, tmp_path: Path) -> None:
    half = np.sqrt(0.5)
    quarter_about_z = np.array([half, 0.0, 0.0, half])
    straight = np.array([1.0, 0.0, 0.0, 0.0])
    points_m = BOX_POINTS / 1000.0
    path = write_e57(tmp_path / "w.e57", [(points_m, quarter_about_z), (points_m, straight)])
    parsed = parse("a.e57", path.read_bytes())
    turned = np.column_stack([0.1 - points_m[:, 1], points_m[:, 0], points_m[:, 2]])
    assert parsed.unit is LengthUnit.METRE
    np.testing.assert_allclose(parsed.points[:8], turned, atol=1e-8)
    np.testing.assert_allclose(parsed.points[8:], points_m + np.array([0.1, 0, 0]), atol=1e-8)


def test_a_damaged_e57_is_refused_and_still_there(parse: Parse, tmp_path: Path) -> None:
    content = bytearray(write_e57(tmp_path / "w.e57", [(BOX_POINTS / 1000.0, None)]).read_bytes())
    content[60:400] = bytes(340)  # pages carry checksums
    with pytest.raises(Exception, match="pages or records"):
        parse("a.e57", bytes(content))
    assert (tmp_path / "a.e57").exists()
