"""Every bad file gets its own named error, which names the file and says what to do."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from shared.errors import (
    FileCorrupt,
    FileEmpty,
    FileExpandsTooFar,
    FileKindUnknown,
    FileKindWrong,
    FileRejected,
    FileTooLarge,
    FileTruncated,
    FileValuesInvalid,
    UnitMissing,
)
from tests.support.model_files import (
    BOX_POINTS,
    BOX_TRIANGLES,
    CORE_3MF,
    binary_stl,
    mesh_object,
    obj,
    pcd,
    ply,
    source,
    text_stl,
    threemf,
    zipped,
)
from worker.reading import ReadLimits, read_nominal, read_scan
from worker.reading.parsed import Parsed

Parse = Callable[..., Parsed]
PLY = ply(BOX_POINTS, BOX_TRIANGLES)
STL = binary_stl(BOX_POINTS, BOX_TRIANGLES)
PLY_TEXT = ply(BOX_POINTS, BOX_TRIANGLES, encoding="ascii")
PCD_TEXT = pcd(BOX_POINTS, "ascii")
STL_TEXT = text_stl(BOX_POINTS, BOX_TRIANGLES)
BOX_OBJECT = mesh_object(1, BOX_POINTS, BOX_TRIANGLES)
ITEM = '<item objectid="1"/>'
WITH_LATTICE = 'requiredextensions="b" xmlns:b="urn:beams"'
MANY = 4_000_000_000
NEGATIVE = PLY.replace(b"list uchar", b"list char ")[:-13] + b"\xff" + bytes(12)
E57_CUT = b"ASTM-E57" + struct.pack("<IIQQQQ", 1, 0, 4096, 0, 0, 1024)
LOOP = '<object id="1"><components><component objectid="1"/></components></object>'

BAD_FILES: dict[str, tuple[str, bytes, type[FileRejected]]] = {
    "no bytes": ("a.stl", b"", FileEmpty),
    "zero bytes only": ("a.stl", bytes(400), FileKindUnknown),
    "web page as STL": ("a.stl", b"<!DOCTYPE html><html><body>404</body></html>" + b" " * 90, FileKindUnknown),
    "STL under a PLY name": ("a.ply", STL, FileKindUnknown),
    "PLY under an STL name": ("a.stl", PLY, FileKindUnknown),
    "unknown ending": ("a.exe", STL, FileKindUnknown),
    "no ending": ("scan", STL, FileKindUnknown),
    "STL cut": ("a.stl", STL[:-60], FileTruncated),
    "STL shorter than its preamble": ("a.stl", STL[:50], FileTruncated),
    "STL with four thousand million faces": ("a.stl", binary_stl(BOX_POINTS, BOX_TRIANGLES, MANY), FileTruncated),
    "STL with bytes left over": ("a.stl", STL + b"more", FileCorrupt),
    "STL without a triangle": ("a.stl", binary_stl(BOX_POINTS, BOX_TRIANGLES[:0]), FileEmpty),
    "text STL cut": ("a.stl", STL_TEXT[:-300], FileTruncated),
    "text STL with words for numbers": ("a.stl", STL_TEXT.replace(b"3.0", b"x.0"), FileCorrupt),
    "PLY cut": ("a.ply", PLY[:-5], FileTruncated),
    "PLY with bytes left over": ("a.ply", PLY + b"\1\2\3\4", FileCorrupt),
    "PLY with four thousand million faces": ("a.ply", PLY.replace(b"face 12", b"face 4000000000"), FileTruncated),
    "PLY with mixed line endings": ("a.ply", PLY.replace(b"float x\n", b"float x\r\n"), FileCorrupt),
    "PLY with one line ending in a return": ("a.ply", PLY.replace(b"ply\n", b"ply\r\n", 1), FileCorrupt),
    "PLY without end of header": ("a.ply", PLY[:80], FileTruncated),
    "PLY with an unknown type": ("a.ply", PLY.replace(b"float x", b"quad x"), FileCorrupt),
    "PLY without z": ("a.ply", PLY.replace(b"float z", b"float w"), FileCorrupt),
    "PLY without a vertex": ("a.ply", ply(BOX_POINTS[:0]), FileEmpty),
    "PLY text with a row missing": ("a.ply", b"\n".join(PLY_TEXT.split(b"\n")[:-2]), FileTruncated),
    "PLY text with a decimal comma": ("a.ply", PLY_TEXT.replace(b"30.0", b"30,0"), FileCorrupt),
    "PLY text with rows left over": ("a.ply", PLY_TEXT + b"1 2 3\n", FileCorrupt),
    "PLY with negative list length": ("a.ply", NEGATIVE, FileCorrupt),
    "OBJ with a very long line": ("a.obj", obj(BOX_POINTS, BOX_TRIANGLES) + b"# " + b"x" * 70_000, FileCorrupt),
    "OBJ with corners beyond its vertices": ("a.obj", obj(BOX_POINTS, BOX_TRIANGLES + 1), FileCorrupt),
    "OBJ with vertex 0": ("a.obj", obj(BOX_POINTS, BOX_TRIANGLES - 1), FileCorrupt),
    "OBJ with a decimal comma": ("a.obj", b"v 0,5 1,5 2,5\nv 1,5 2,5 3,5\n", FileCorrupt),
    "OBJ with two-cornered faces": ("a.obj", obj(BOX_POINTS, BOX_TRIANGLES[:, :2]), FileCorrupt),
    "OBJ of comments": ("a.obj", b"# nothing\n", FileEmpty),
    "binary as OBJ": ("a.obj", bytes(range(256)), FileCorrupt),
    "XYZ with a decimal comma": ("a.xyz", b"1,5 2,5 3,5\n4,5 5,5 6,5\n", FileCorrupt),
    "CSV with a decimal comma": ("a.csv", b"x;y;z\n1,5;2,5;3,5\n", FileCorrupt),
    "CSV with commas for both": ("a.csv", b"1,5,2,5,3,5\n4,5,5,5,6,5\n1,5,2,5,3,5\n4,5,5,5,6,5\n", FileCorrupt),
    "XYZ with a short row": ("a.xyz", b"1 2 3\n4 5\n6 7 8\n", FileCorrupt),
    "XYZ of prose": ("a.xyz", b"the quick brown fox\n", FileCorrupt),
    "XYZ of binary": ("a.xyz", b"1 2 3\n\0\1\2\n", FileCorrupt),
    "CSV without x": ("a.csv", b"a,b,c\n1,2,3\n", FileCorrupt),
    "PCD with contradicting counts": ("a.pcd", PCD_TEXT.replace(b"WIDTH 8", b"WIDTH 9"), FileCorrupt),
    "PCD with fewer points": ("a.pcd", pcd(BOX_POINTS, "binary", declared=9), FileTruncated),
    "PCD text with fewer points": ("a.pcd", pcd(BOX_POINTS, "ascii", declared=9), FileTruncated),
    "PCD compressed and cut": ("a.pcd", pcd(BOX_POINTS, "binary_compressed")[:-9], FileTruncated),
    "PCD compressed to another size": ("a.pcd", pcd(BOX_POINTS, "binary_compressed", declared=7), FileCorrupt),
    "PCD without DATA": ("a.pcd", PCD_TEXT[:100], FileTruncated),
    "3MF cut": ("a.3mf", threemf(BOX_OBJECT, ITEM)[:-40], FileTruncated),
    "3MF bomb": ("a.3mf", zipped({"3D/3dmodel.model": bytes(20 << 20)}), FileExpandsTooFar),
    "3MF without a model": ("a.3mf", zipped({"readme.txt": b"hello"}), FileCorrupt),
    "3MF without objects": ("a.3mf", threemf(BOX_OBJECT, ""), FileEmpty),
    "3MF that contains itself": ("a.3mf", threemf(LOOP, ITEM), FileCorrupt),
    "3MF with a document type": ("a.3mf", zipped({"3D/3dmodel.model": b"<?xml?><!DOCTYPE x><model/>"}), FileCorrupt),
    "3MF with broken XML": ("a.3mf", zipped({"3D/3dmodel.model": b"<model><resources>"}), FileCorrupt),
    "3MF in cubits": ("a.3mf", threemf(BOX_OBJECT, ITEM, unit="cubit"), FileCorrupt),
    "3MF of lattices": ("a.3mf", threemf(BOX_OBJECT, ITEM, extra=WITH_LATTICE), FileCorrupt),
    "3MF with corners beyond": ("a.3mf", threemf(mesh_object(1, BOX_POINTS[:3], BOX_TRIANGLES), ITEM), FileCorrupt),
    "E57 cut": ("a.e57", E57_CUT, FileTruncated),
    "E57 of another version": ("a.e57", b"ASTM-E57" + bytes(64), FileCorrupt),
}


@pytest.mark.parametrize("case", BAD_FILES)
def test_a_bad_file_is_refused_by_name(parse: Parse, case: str) -> None:
    name, content, error = BAD_FILES[case]
    with pytest.raises(error) as caught:
        parse(name, content)
    assert type(caught.value) is error
    assert caught.value.file == name
    assert name in caught.value.message
    assert len(caught.value.advice) > 10


@pytest.mark.parametrize(
    ("limits", "content"),
    [
        (ReadLimits(file_bytes=100), STL),
        (ReadLimits(triangle_count=5), STL),
        (ReadLimits(point_count=5), PLY),
    ],
)
def test_more_than_a_limit_is_too_large(parse: Parse, limits: ReadLimits, content: bytes) -> None:
    name = "a.stl" if content is STL else "a.ply"
    with pytest.raises(FileTooLarge, match="limit"):
        parse(name, content, limits)


def moved(factor: float, place: int = 3) -> bytes:
    points = BOX_POINTS.copy()
    points[place] = factor
    return binary_stl(points, BOX_TRIANGLES)


@pytest.mark.parametrize("content", [moved(np.nan), moved(np.inf), moved(1e38)], ids=["nan", "inf", "1e38"])
def test_a_nominal_with_impossible_coordinates_is_refused(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "part.stl"
    path.write_bytes(content)
    with pytest.raises(FileValuesInvalid, match=r"part\.stl"):
        read_nominal(source(path))


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("cloud.ply", ply(BOX_POINTS)),
        ("cloud.xyz", b"1 2 3\n"),
        ("cloud.pcd", pcd(BOX_POINTS)),
        ("c.obj", b"v 1 2 3\n"),
    ],
)
def test_a_cloud_cannot_be_the_nominal(tmp_path: Path, name: str, content: bytes) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(FileKindWrong, match="swap"):
        read_nominal(source(tmp_path / name))


def test_a_step_cannot_be_the_scan(tmp_path: Path) -> None:
    (tmp_path / "part.step").write_bytes(b"ISO-10303-21;\nEND-ISO-10303-21;\n")
    with pytest.raises(FileKindWrong, match="STEP"):
        read_scan(source(tmp_path / "part.step"))


@pytest.mark.parametrize("name", ["a.stl", "a.ply", "a.obj", "a.xyz", "a.csv", "a.pcd"])
def test_a_format_without_units_needs_a_stated_one(tmp_path: Path, name: str) -> None:
    content = {"stl": STL, "ply": PLY, "pcd": PCD_TEXT}.get(name.split(".")[1], b"1 2 3\n")
    (tmp_path / name).write_bytes(content)
    with pytest.raises(UnitMissing, match=name):
        read_scan(source(tmp_path / name, unit=None))


def test_the_namespace_of_test_files_is_the_specifications(parse: Parse) -> None:
    assert len(parse("box.3mf", threemf(BOX_OBJECT, ITEM)).points) == 8
    assert CORE_3MF.endswith("core/2015/02")
