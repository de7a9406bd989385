"""Any bytes at all: a named error or a sound record, never anything else."""

from __future__ import annotations

import tempfile
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.errors import FileRejected
from shared.units import LengthUnit
from tests.support.model_files import (
    BOX_POINTS,
    BOX_TRIANGLES,
    binary_stl,
    mesh_object,
    obj,
    opened,
    pcd,
    ply,
    source,
    text_stl,
    threemf,
)
from worker.reading import MeshSettings, ReadLimits, read_scan
from worker.reading.child import READERS
from worker.reading.prepare import clean_nominal_mesh, clean_scan

MODEL = threemf(mesh_object(1, BOX_POINTS, BOX_TRIANGLES), '<item objectid="1"/>')
SEEDS = {
    "binary.stl": binary_stl(BOX_POINTS, BOX_TRIANGLES),
    "text.stl": text_stl(BOX_POINTS, BOX_TRIANGLES),
    "binary.ply": ply(BOX_POINTS, BOX_TRIANGLES),
    "big.ply": ply(BOX_POINTS, BOX_TRIANGLES, encoding="binary_big_endian", number="double"),
    "text.ply": ply(BOX_POINTS, BOX_TRIANGLES, encoding="ascii"),
    "normals.ply": ply(BOX_POINTS, None, BOX_POINTS - 5.0),
    "mesh.obj": obj(BOX_POINTS, BOX_TRIANGLES),
    "model.3mf": MODEL,
    "points.xyz": b"1.5 2.5 3.5 0 0 1\n4 5 6 0 1 0\n7 8 9 1 0 0\n",
    "points.csv": b"x,y,z,nx,ny,nz\n1,2,3,0,0,1\n4,5,6,0,1,0\n",
    "text.pcd": pcd(BOX_POINTS, "ascii"),
    "binary.pcd": pcd(BOX_POINTS, "binary"),
    "packed.pcd": pcd(BOX_POINTS, "binary_compressed"),
}
TRAPS = [b"-1", b"999999999999", b"nan", b"\r", b"1e400", b"\xff" * 4]
LIMITS = ReadLimits(point_count=10_000, triangle_count=10_000)


@st.composite
def damaged(draw: st.DrawFn, content: bytes) -> bytes:
    """The bytes with a few cuts, changes, insertions or repeats."""
    data = bytearray(content)
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(0, len(data)))
        end = draw(st.integers(start, min(start + 40, len(data))))
        kind = draw(st.sampled_from(["cut", "change", "insert", "repeat", "end"]))
        if kind == "end":
            del data[start:]
        elif kind == "repeat":
            data[start:start] = data[start:end]
        elif kind == "cut":
            del data[start:end]
        else:
            new = draw(st.binary(max_size=12) | st.sampled_from(TRAPS))
            data[start : end if kind == "change" else start] = new
    return bytes(data)


def read_both_ways(name: str, content: bytes) -> None:
    """Parse and clean as nominal and as scan; whatever comes out must be sound."""
    with tempfile.TemporaryDirectory() as folder:
        file = opened(Path(folder) / name, content, LIMITS)
        module, function = READERS[file.file_format]
        parsed = getattr(import_module(module), function)(file, LIMITS)
        scan = clean_scan(file, parsed, LengthUnit.MILLIMETRE, LIMITS)
        assert np.isfinite(scan.points_mm).all()
        assert np.abs(scan.points_mm).max() <= LIMITS.coordinate_mm
        assert scan.normals is None or len(scan.normals) == len(scan.points_mm)
        surface = clean_nominal_mesh(file, parsed, LengthUnit.MILLIMETRE, LIMITS, MeshSettings())
        assert surface.triangles.min() >= 0
        assert surface.triangles.max() < len(surface.points)
        assert len(surface.triangle_face) == len(surface.triangles)


@pytest.mark.parametrize("name", SEEDS)
@settings(max_examples=60, deadline=None, derandomize=True)
@given(data=st.data())
def test_damage_gives_a_named_error_or_a_sound_record(name: str, data: st.DataObject) -> None:
    content = data.draw(damaged(SEEDS[name]))
    try:
        read_both_ways(name, content)
    except FileRejected as error:
        assert error.file == name  # noqa: PT017 (both outcomes are allowed, and both are checked)


@pytest.mark.parametrize("cut", [100, 700, 1500])
def test_damage_through_the_child_is_a_named_error_too(tmp_path: Path, cut: int) -> None:
    path = tmp_path / "model.3mf"
    path.write_bytes(MODEL[: cut % len(MODEL)] + b"\0" * 50)
    with pytest.raises(FileRejected, match=r"model\.3mf"):
        read_scan(source(path))
