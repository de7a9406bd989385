"""The demonstration head, built once, and small scans of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from demo.geometry.head import Head, build_head
from demo.geometry.planted import CASTING, PRINT, Piece
from demo.geometry.solids import Shape
from demo.geometry.step_file import read_solid
from demo.make_scans import make_casting, make_print
from worker.records import Floats

DATA = Path(__file__).parents[2] / "demo" / "data"
POINT_COUNT = 60_000


@pytest.fixture(scope="session")
def committed() -> Shape:
    return read_solid(DATA / "head.step")


@pytest.fixture(scope="session")
def built() -> Head:
    return build_head()


@pytest.fixture(scope="session")
def cast_head(built: Head) -> Head:
    return build_head(CASTING.faults, built.cores)


@pytest.fixture(scope="session")
def print_writer(committed: Shape) -> Callable[[Path], None]:
    return lambda path: make_print(path, replace(PRINT, point_count=POINT_COUNT), committed)


@pytest.fixture(scope="session")
def casting_writer(cast_head: Head) -> Callable[[Path], None]:
    return lambda path: make_casting(path, replace(CASTING, point_count=POINT_COUNT), cast_head)


def truth_taken_back(path: Path, piece: Piece) -> tuple[Floats, Floats]:
    """Points and normals of a scan as ``write_cloud`` writes it, with pose, size and bow of the piece undone."""
    header, _, body = path.read_bytes().partition(b"end_header\n")
    assert b"binary_little_endian" in header
    rows = np.frombuffer(body, dtype="<f4").reshape(-1, 6).astype(np.float64)
    T_nominal_scan = piece.T_scan_nominal().inverse()
    return piece.points_of_nominal(T_nominal_scan.apply(rows[:, :3])), T_nominal_scan.turn(rows[:, 3:])


@pytest.fixture(scope="session")
def print_file(print_writer: Callable[[Path], None], tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("print") / "print.ply"
    print_writer(path)
    return path


@pytest.fixture(scope="session")
def casting_file(casting_writer: Callable[[Path], None], tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("casting") / "casting.ply"
    casting_writer(path)
    return path


@pytest.fixture(scope="session")
def print_cloud(print_file: Path) -> tuple[Floats, Floats]:
    return truth_taken_back(print_file, PRINT)


@pytest.fixture(scope="session")
def casting_cloud(casting_file: Path) -> tuple[Floats, Floats]:
    return truth_taken_back(casting_file, CASTING)
