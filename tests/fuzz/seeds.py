"""Sound files of every format, small, from which the damaged ones are made."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path

import numpy as np

from tests.support.model_files import (
    BOX_POINTS,
    BOX_TRIANGLES,
    binary_stl,
    mesh_object,
    obj,
    pcd,
    ply,
    text_stl,
    threemf,
)
from tests.support.plans import FULL_PLAN

Files = Mapping[str, bytes]
QUARTER_TURN = np.array([np.sqrt(0.5), 0.0, 0.0, np.sqrt(0.5)])
PLACED = '<item objectid="1" transform="1 0 0 0 1 0 0 0 1 5 5 5"/><item objectid="1"/>'
PAIR = '<object id="2"><components><component objectid="1"/></components></object>'


@cache
def seeds_of(target: str) -> Files:
    """Sound inputs by the name they come under."""
    return SEEDS[target]()


def _stl() -> Files:
    return {
        "binary.stl": binary_stl(BOX_POINTS, BOX_TRIANGLES),
        "one.stl": binary_stl(BOX_POINTS, BOX_TRIANGLES[:1]),
        "text.stl": text_stl(BOX_POINTS, BOX_TRIANGLES),
    }


def _ply() -> Files:
    quads = b"ply\nformat ascii 1.0\nelement vertex 4\nproperty float x\nproperty float y\nproperty float z\n"
    quads += b"element face 1\nproperty list uchar int vertex_indices\nelement edge 1\nproperty int a\nend_header\n"
    quads += b"0 0 0\n1 0 0\n1 1 0\n0 1 0\n4 0 1 2 3\n7\n"
    return {
        "binary.ply": ply(BOX_POINTS, BOX_TRIANGLES),
        "big.ply": ply(BOX_POINTS, BOX_TRIANGLES, encoding="binary_big_endian", number="double"),
        "text.ply": ply(BOX_POINTS, BOX_TRIANGLES, encoding="ascii"),
        "normals.ply": ply(BOX_POINTS, None, BOX_POINTS - 5.0),
        "quads.ply": quads,
    }


def _obj() -> Files:
    rich = b"mtllib a.mtl\no box\nv 0 0 0\nv 1 0 0\nv 1 1 0 1.0\nv 0 1 0\nvt 0 0\nvn 0 0 1\ng side\nusemtl red\n"
    return {
        "mesh.obj": obj(BOX_POINTS, BOX_TRIANGLES),
        "rich.obj": rich + b"f 1/1/1 2//1 3 4\nf -4 -3 -2\nl 1 2\ncurv 0 1 1 2\n",
        "cloud.obj": obj(BOX_POINTS, BOX_TRIANGLES[:0]),
    }


def _xyz() -> Files:
    rows = "".join(f"{x:.3f} {y:.3f} {z:.3f} 0 0 1\n" for x, y, z in BOX_POINTS)
    return {
        "normals.xyz": rows.encode(),
        "plain.asc": b"# made for a test\n1.5 2.5 3.5\n4 5 6\n7 8 9\n",
        "colours.txt": b"1 2 3 255 128 0\n4 5 6 255 128 0\n7 8 8 1 2 3\n",
    }


def _csv() -> Files:
    return {
        "names.csv": b"x,y,z,nx,ny,nz\n1,2,3,0,0,1\n4,5,6,0,1,0\n",
        "units.csv": b'\xef\xbb\xbf"X [mm]";"Y [mm]";"Z [mm]";quality\n1.5;2.5;3.5;9\n4;5;6;9\n7;8;8;9\n',
        "tabs.csv": b"1\t2\t3\n4\t5\t6\n7\t7\t7\n",
    }


def _pcd() -> Files:
    fields = b"VERSION 0.7\nFIELDS x y z rgb normal_x normal_y normal_z _\nSIZE 4 8 4 4 4 4 4 1\nTYPE F F F U F F F U\n"
    fields += b"COUNT 1 1 1 1 1 1 1 4\nWIDTH 2\nHEIGHT 1\nPOINTS 2\nDATA ascii\n"
    return {
        "text.pcd": pcd(BOX_POINTS, "ascii"),
        "binary.pcd": pcd(BOX_POINTS, "binary"),
        "packed.pcd": pcd(BOX_POINTS, "binary_compressed"),
        "fields.pcd": fields + b"1 2 3 9 0 0 1 0 0 0 0\n4 5 nan 9 0 0 1 0 0 0 0\n",
    }


def _threemf() -> Files:
    box = mesh_object(1, BOX_POINTS, BOX_TRIANGLES)
    return {
        "box.3mf": threemf(box, PLACED),
        "parts.3mf": threemf(box + PAIR, '<item objectid="2"/>', unit="inch"),
        "flat.3mf": threemf(mesh_object(1, BOX_POINTS[:4], BOX_TRIANGLES[:1]), '<item objectid="1"/>'),
    }


def _e57() -> Files:
    from tests.support.e57_files import write_e57  # noqa: PLC0415 - a second to import, for this target only

    points_m = BOX_POINTS / 1000.0
    with tempfile.TemporaryDirectory() as folder:
        one = write_e57(Path(folder) / "one.e57", [(points_m, None)]).read_bytes()
        two = write_e57(Path(folder) / "two.e57", [(points_m, QUARTER_TURN), (points_m, None)]).read_bytes()
    return {"one.e57": one, "two.e57": two}


def _step() -> Files:
    from tests.support import step_files  # noqa: PLC0415 - as above

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.step"
        block = step_files.write_step(path, step_files.drilled_block()).read_bytes()
        rod = step_files.write_step(path, step_files.rod(5.0, 10.0), "INCH").read_bytes()
        document = step_files.StepDocument()
        part = document.add(step_files.rod(3.0, 4.0), {0: "side"})
        document.assemble(part, [(0.0, 0.0, 0.0), (20.0, 0.0, 0.0)])
        pair = document.write(path).read_bytes()
    return {"block.step": block, "rod.stp": rod, "pair.p21": pair}


def _plan() -> Files:
    return {
        "full.yaml": FULL_PLAN.encode(),
        "small.yaml": b'firstpour_plan: "1"\nunit: mm\n',
        "plan.json": b'{"unit": "mm"}',
    }


def _form() -> Files:
    part = b'--b\r\nContent-Disposition: form-data; name="%s"%s\r\nContent-Type: text/plain\r\n\r\n%s\r\n'
    parts = [(b"nominal", b'; filename="n.step"', b"ISO-10303-21;"), (b"scan", b'; filename="s.stl"', b"solid\r\nx")]
    parts += [
        (b"core.a", b"; filename*=UTF-8''%e2%82%ac.stl", b"solid"),
        (b"plan", b"", b"unit: mm"),
        (b"unit", b"", b"mm"),
    ]
    whole = b"".join(part % one for one in parts) + b"--b--\r\n"
    return {"form": whole, "one": part % parts[0] + b"--b--\r\n"}


def _names() -> Files:
    return {
        "plain": b"head.step",
        "path": b"C:\\parts\\..\\head.tar.stl",
        "disposition": b"attachment; filename=\"head.step\"; filename*=UTF-8''h%C3%A4d.step",
        "metadata": b"filename aGVhZC5zdGVw,sha256 YWJj,empty",
        "unicode": "h\u00e4\u0301d \u202egpj.\U0001f600.stl".encode(),
    }


SEEDS: Mapping[str, Callable[[], Files]] = {
    "stl": _stl,
    "ply": _ply,
    "obj": _obj,
    "xyz": _xyz,
    "csv": _csv,
    "pcd": _pcd,
    "threemf": _threemf,
    "e57": _e57,
    "step": _step,
    "plan": _plan,
    "form": _form,
    "names": _names,
}
