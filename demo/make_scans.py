"""Make the two invented scans: ``python demo/make_scans.py [FOLDER]``, default demo/out/scans."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from demo.geometry import design as d
from demo.geometry.facets import Facets, facets_of
from demo.geometry.head import Head, build_head
from demo.geometry.planted import CASTING, DEEP_PORT, PRINT, SCALE_CENTRE, Piece, truth_text
from demo.geometry.scanning import ScannerSettings, is_seen, noisy, roughness, write_cloud
from demo.geometry.skin import Skin, sample_skin
from demo.geometry.solids import Shape
from demo.geometry.step_file import read_solid

HERE = Path(__file__).parent
TABLE_SIZE_MM = (240.0, 300.0)
STRAY_COUNT = 200
SKIN_AREA_MM2 = 528_500.0  # of the head, inside and out; the table is sampled as densely


def make_scans(folder: Path) -> None:
    """Write ``print.ply``, ``casting.ply`` and ``truth.json`` into ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    make_print(folder / "print.ply", PRINT, read_solid(HERE / "data" / "head.step"))
    make_casting(folder / "casting.ply", CASTING, build_head(CASTING.faults))
    (folder / "truth.json").write_text(truth_text(), encoding="utf-8")


def make_print(path: Path, piece: Piece, nominal: Shape) -> None:
    """Printed prototype: nominal, smaller and bowed; seen from outside only, table and stray points in view."""
    facets = facets_of(nominal)
    rng = np.random.default_rng(piece.seed + 1)
    skin = sample_skin(nominal, facets, piece.point_count, rng)
    seen = scanned(piece, skin.kept(is_seen(skin, facets, ScannerSettings())), rng)
    _write(path, piece, _joined(seen, _table(piece, facets, rng), _strays(seen, rng)))


def make_casting(path: Path, piece: Piece, head: Head) -> None:
    """First casting: displaced core, a hole out of place, rough; one port not seen beyond its mouth."""
    names = np.array([name for _, name in head.face_names])
    rng = np.random.default_rng(piece.seed + 1)
    skin = sample_skin(head.solid, facets_of(head.solid), piece.point_count, rng)
    depth = d.FLANGE_FACE_Y - np.abs(skin.points_mm[:, 1])
    seen_depth = np.inf if piece.deep_port_seen_mm is None else piece.deep_port_seen_mm
    is_hidden = (names[skin.face] == DEEP_PORT) & (depth > seen_depth)
    _write(path, piece, scanned(piece, skin.kept(~is_hidden), rng))


def scanned(piece: Piece, skin: Skin, rng: np.random.Generator) -> Skin:
    """The skin of the unscaled solid as the scanner saw it on the piece, still in the nominal frame."""
    rough = roughness(skin.points_mm, piece.roughness_rms_mm, piece.roughness_length_mm, rng)
    noise = rng.normal(scale=piece.noise_mm, size=len(skin.points_mm))
    return noisy(Skin(piece.points_of_piece(skin.points_mm), skin.normals, skin.face), rough + noise, rng)


def _table(piece: Piece, facets: Facets, rng: np.random.Generator) -> Skin:
    """A round-edged patch of the table on which the print stood on its -x end, the print's footprint left out."""
    end_x = piece.points_of_piece(facets.vertices_mm)[:, 0].min()
    density = piece.point_count / SKIN_AREA_MM2
    wide_y, wide_z = TABLE_SIZE_MM
    count = int(density * wide_y * wide_z)
    y = rng.uniform(-0.5, 0.5, size=count) * wide_y
    z = SCALE_CENTRE[2] + rng.uniform(-0.5, 0.5, size=count) * wide_z
    is_round = (y / wide_y) ** 2 + ((z - SCALE_CENTRE[2]) / wide_z) ** 2 < 0.25
    is_footprint = (np.abs(y) < d.FLANGE_FACE_Y + 2.0) & (z > -2.0) & (z < d.RAIL_TOP_Z + 2.0)
    keep = is_round & ~is_footprint
    x = end_x + rng.normal(scale=piece.noise_mm, size=count)
    points = np.column_stack([x, y, z])[keep]
    flat = Skin(points, np.tile([1.0, 0.0, 0.0], (len(points), 1)), np.full(len(points), -1, dtype=np.int64))
    return noisy(flat, np.zeros(len(points)), rng)


def _strays(skin: Skin, rng: np.random.Generator) -> Skin:
    """Points that hang in the air within some millimetres of the piece, as edges and shiny spots give."""
    chosen = skin.kept(np.isin(np.arange(len(skin.face)), rng.choice(len(skin.face), STRAY_COUNT, replace=False)))
    return noisy(chosen, rng.uniform(0.5, 6.0, size=STRAY_COUNT), rng)


def _joined(*skins: Skin) -> Skin:
    return Skin(
        np.concatenate([skin.points_mm for skin in skins]),
        np.concatenate([skin.normals for skin in skins]),
        np.concatenate([skin.face for skin in skins]),
    )


def _write(path: Path, piece: Piece, skin: Skin) -> None:
    T_scan_nominal = piece.T_scan_nominal()
    write_cloud(path, T_scan_nominal.apply(skin.points_mm), T_scan_nominal.turn(skin.normals))
    print(f"{path}: {len(skin.points_mm)} points")


if __name__ == "__main__":
    make_scans(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE / "out" / "scans")
