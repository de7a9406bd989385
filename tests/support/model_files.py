"""Write small model and scan files byte by byte, so that a test knows exactly what is in them."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import numpy as np

from shared.units import LengthUnit
from worker.reading import ReadLimits, Source
from worker.reading.parsed import Floats, Ints
from worker.reading.source import OpenFile, open_source

BOX_MM = np.array([30.0, 20.0, 10.0])
BOX_POINTS: Floats = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)]) * BOX_MM
BOX_QUADS = np.array([[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]])
BOX_TRIANGLES: Ints = np.concatenate([BOX_QUADS[:, [0, 1, 2]], BOX_QUADS[:, [0, 2, 3]]]).astype(np.int64)
CORE_3MF = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"


def source(path: Path, unit: LengthUnit | None = LengthUnit.MILLIMETRE, name: str | None = None) -> Source:
    return Source(path, name or path.name, unit)


def opened(path: Path, content: bytes, limits: ReadLimits | None = None) -> OpenFile:
    """Write ``content`` and pass it through the first checks, as the child does."""
    path.write_bytes(content)
    return open_source(source(path), limits or ReadLimits())


def binary_stl(points: Floats, triangles: Ints, declared: int | None = None) -> bytes:
    records = np.zeros(len(triangles), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    with np.errstate(over="ignore"):
        records["corners"] = points[triangles]
    count = len(triangles) if declared is None else declared
    return b"made for a test".ljust(80) + count.to_bytes(4, "little") + records.tobytes()


def text_stl(points: Floats, triangles: Ints) -> bytes:
    facets = "".join(
        "facet normal 0 0 0\n outer loop\n"
        + "".join(f"  vertex {x:.6e} {y:.6e} {z:.6e}\n" for x, y, z in points[triangle])
        + " endloop\nendfacet\n"
        for triangle in triangles
    )
    return f"solid box\n{facets}endsolid box\n".encode()


def ply(
    points: Floats,
    triangles: Ints | None = None,
    normals: Floats | None = None,
    encoding: str = "binary_little_endian",
    number: str = "float",
) -> bytes:
    names = ["x", "y", "z"] + (["nx", "ny", "nz"] if normals is not None else [])
    header = f"ply\nformat {encoding} 1.0\ncomment made for a test\nelement vertex {len(points)}\n"
    header += "".join(f"property {number} {name}\n" for name in names)
    if triangles is not None:
        header += f"element face {len(triangles)}\nproperty list uchar int vertex_indices\n"
    rows = points if normals is None else np.hstack([points, normals])
    return (header + "end_header\n").encode() + ply_body(rows, triangles, encoding, number)


def ply_body(rows: Floats, triangles: Ints | None, encoding: str, number: str) -> bytes:
    faces = np.empty((0, 3), dtype=np.int64) if triangles is None else triangles
    if encoding == "ascii":
        lines = [" ".join(f"{value:.6f}" for value in row) for row in rows]
        lines += [f"3 {a} {b} {c}" for a, b, c in faces]
        return ("\n".join(lines) + "\n").encode()
    order = "<" if encoding == "binary_little_endian" else ">"
    packed = np.zeros(len(faces), dtype=[("count", "u1"), ("corners", order + "i4", 3)])
    packed["count"], packed["corners"] = 3, faces
    return rows.astype(order + {"float": "f4", "double": "f8"}[number]).tobytes() + packed.tobytes()


def obj(points: Floats, faces: Ints) -> bytes:
    lines = [f"v {x} {y} {z}" for x, y, z in points] + ["f " + " ".join(str(k + 1) for k in face) for face in faces]
    return ("\n".join(lines) + "\n").encode()


def threemf(objects: str, items: str, unit: str = "millimeter", extra: str = "") -> bytes:
    model = (
        f'<?xml version="1.0" encoding="UTF-8"?><model unit="{unit}" xmlns="{CORE_3MF}" {extra}>'
        f"<resources>{objects}</resources><build>{items}</build></model>"
    )
    return zipped({"3D/3dmodel.model": model.encode()})


def zipped(parts: dict[str, bytes]) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return stream.getvalue()


def mesh_object(object_id: int, points: Floats, triangles: Ints) -> str:
    vertices = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in points)
    faces = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in triangles)
    mesh = f"<mesh><vertices>{vertices}</vertices><triangles>{faces}</triangles></mesh>"
    return f'<object id="{object_id}" type="model">{mesh}</object>'


def pcd(points: Floats, encoding: str = "binary", declared: int | None = None) -> bytes:
    count = len(points) if declared is None else declared
    header = (
        "# .PCD v0.7 - Point Cloud Data file format\nVERSION 0.7\nFIELDS x y z\nSIZE 4 4 4\nTYPE F F F\nCOUNT 1 1 1\n"
        f"WIDTH {count}\nHEIGHT 1\nVIEWPOINT 0 0 0 1 0 0 0\nPOINTS {count}\nDATA {encoding}\n"
    ).encode()
    if encoding == "ascii":
        return header + "".join(f"{x:.4f} {y:.4f} {z:.4f}\n" for x, y, z in points).encode()
    if encoding == "binary":
        return header + points.astype("<f4").tobytes()
    raw = points.astype("<f4").T.tobytes()  # field after field
    packed = lzf_literals(raw)
    return header + len(packed).to_bytes(4, "little") + len(raw).to_bytes(4, "little") + packed


def lzf_literals(raw: bytes) -> bytes:
    """Pack without finding any repeats: runs of up to 32 literal bytes."""
    runs = [raw[start : start + 32] for start in range(0, len(raw), 32)]
    return b"".join(bytes([len(run) - 1]) + run for run in runs)


def sphere(radius_mm: float, ring_count: int = 24) -> tuple[Floats, Ints]:
    """A closed sphere of quads cut in two, outward, poles as rings of equal points."""
    polar, around = np.linspace(0, np.pi, ring_count + 1), np.linspace(0, 2 * np.pi, 2 * ring_count + 1)[:-1]
    theta, phi = np.meshgrid(polar, around, indexing="ij")
    points = np.stack([np.sin(theta) * np.cos(phi), np.sin(theta) * np.sin(phi), np.cos(theta)], axis=-1)
    points[0], points[-1] = (0, 0, 1), (0, 0, -1)
    index = np.arange(points.size // 3).reshape(theta.shape)
    a, b = index[:-1], index[1:]
    c, d = np.roll(b, -1, axis=1), np.roll(a, -1, axis=1)
    triangles = np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])
    return radius_mm * points.reshape(-1, 3), triangles
