"""Features found on parts whose features are known by construction, and time against triangles.

    .venv/bin/python -m tests.benchmarks.features [--quick]

Recall and precision by kind: from STEP files, from meshes of several finenesses, after an STL of single
precision, subdivided, with other diagonals, and with noise on the corners.  Then the time of the mesh
path per triangle, on one part cut ever finer.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from OCP.Message import Message, Message_PrinterOStream

from tests.support.feature_match import match
from tests.support.feature_parts import FEATURE_PARTS
from tests.support.model_files import source
from tests.support.remeshed import flipped_diagonals, shaken, subdivided, through_stl
from tests.support.solids import tessellated
from tests.support.step_files import write_step
from worker.features.detect import detect_features
from worker.features.records import FeatureKind
from worker.reading import read_nominal
from worker.records import Face, Nominal, SurfaceKind

Maker = Callable[[Any, Path], Nominal]


def _from_step(solid: Any, folder: Path) -> Nominal:
    return read_nominal(source(write_step(folder / "part.step", solid)))


def _forgetful(nominal: Nominal) -> Nominal:
    """Our own fine, adaptive triangles without what their faces know."""
    faces = tuple(Face(face.index, SurfaceKind.FREEFORM, face.area_mm2) for face in nominal.faces)
    return replace(nominal, faces=faces, chord_tolerance_mm=None, angular_tolerance_rad=None)


def _mesh(chord_mm: float, angle_rad: float) -> Maker:
    return lambda solid, _: _clean(solid, chord_mm, angle_rad)


def _clean(solid: Any, chord_mm: float, angle_rad: float) -> Nominal:
    from OCP.BRepTools import BRepTools  # noqa: PLC0415  an earlier, finer mesh would be kept

    BRepTools.Clean_s(solid)
    return tessellated(solid, chord_mm=chord_mm, angle_rad=angle_rad)


WAYS: Mapping[str, Maker] = {
    "STEP": _from_step,
    "mesh 0.2 mm, 0.5 rad": _mesh(0.2, 0.5),
    "mesh 0.05 mm, 0.2 rad": _mesh(0.05, 0.2),
    "mesh 0.01 mm, 0.1 rad": _mesh(0.01, 0.1),
    "triangles of the STEP": lambda solid, folder: _forgetful(_from_step(solid, folder)),
    "STL 0.2 mm, 0.5 rad": lambda solid, folder: through_stl(_clean(solid, 0.2, 0.5), folder),
    "STL 0.05 mm, 0.2 rad": lambda solid, folder: through_stl(_clean(solid, 0.05, 0.2), folder),
    "subdivided": lambda solid, _: subdivided(_clean(solid, 0.05, 0.2)),
    "other diagonals": lambda solid, _: flipped_diagonals(_clean(solid, 0.05, 0.2)),
    "noise 0.0001 mm": lambda solid, _: shaken(_clean(solid, 0.05, 0.2), 1e-4),
}


def main() -> None:
    """Print both tables."""
    solids = {name: (maker().solid(), maker().truths) for name, maker in FEATURE_PARTS.items()}
    Message.DefaultMessenger_s().RemovePrinters(Message_PrinterOStream.get_type_descriptor_s())
    is_quick = "--quick" in sys.argv
    verbose = "--verbose" in sys.argv
    kinds = [kind.value for kind in FeatureKind]
    total = Counter(truth.kind.value for _, truths in solids.values() for truth in truths)
    print(f"{len(solids)} parts, {sum(total.values())} features: " + ", ".join(f"{total[k]} {k}" for k in kinds))
    print(
        f"{'':24}"
        + "".join(f"{kind:>12}" for kind in kinds)
        + f"{'recall':>9}{'precision':>11}{'triangles':>11}{'s':>7}"
    )
    only = [item.removeprefix("--way=") for item in sys.argv if item.startswith("--way=")]
    for way, maker in WAYS.items():
        if only and way not in only:
            continue
        _row(way, maker, solids, verbose=verbose)
    if not is_quick:
        _times()


def _row(way: str, maker: Maker, solids: Mapping[str, tuple[Any, Any]], *, verbose: bool) -> None:
    missed: Counter[str] = Counter()
    false: Counter[str] = Counter()
    found = triangles = 0
    spent = 0.0
    for name, (solid, truths) in solids.items():
        with tempfile.TemporaryDirectory() as folder:
            nominal = maker(solid, Path(folder))
        start = time.perf_counter()
        features = detect_features(nominal)
        spent += time.perf_counter() - start
        result = match(truths, features, nominal)
        missed.update(truth.kind.value for truth in result.missed)
        false.update(feature.kind.value for feature in result.false)
        found, triangles = found + len(result.found), triangles + len(nominal.triangles)
        if verbose:
            for truth in result.missed:
                print(
                    "   missed", name, truth.kind.value, truth.point_mm, truth.direction, truth.size_mm, truth.depth_mm
                )
            for item in result.false:
                print(
                    "   false ",
                    name,
                    item.id,
                    item.point_mm,
                    item.direction,
                    item.radius_mm,
                    item.depth_mm,
                    item.is_through,
                    item.arc_rad,
                    item.area_mm2,
                    item.members,
                    len(item.triangles),
                )
    cells = "".join(f"{f'-{missed[k.value]} +{false[k.value]}':>12}" for k in FeatureKind)
    recall, precision = found / (found + missed.total()), found / (found + false.total())
    print(f"{way:24}{cells}{recall:>9.1%}{precision:>11.1%}{triangles:>11}{spent:>7.2f}", flush=True)


def _times() -> None:
    """The mesh path on parts meshed finer and finer: prismatic, with many fillets, with freeform ports."""
    print(f"\n{'':40}{'triangles':>11}{'s':>9}{'us/triangle':>13}{'features':>10}")
    housing = _clean(FEATURE_PARTS["open_housing"]().solid(), 0.01, 0.05)
    for times in range(5):
        _time(subdivided(housing, times), f"open_housing, cut in four {times} times")
    for name in ("filleted_casting", "ported_block"):
        solid = FEATURE_PARTS[name]().solid()
        for chord_mm, angle_rad in ((0.05, 0.2), (0.02, 0.1), (0.005, 0.05), (0.002, 0.03)):
            _time(_clean(solid, chord_mm, angle_rad), f"{name}, {chord_mm} mm, {angle_rad} rad")


def _time(nominal: Nominal, title: str) -> None:
    start = time.process_time()  # of the processor, since other work may share it
    count = len(detect_features(nominal))
    best, triangles = time.process_time() - start, len(nominal.triangles)
    print(f"{title:40}{triangles:>11}{best:>9.2f}{best / triangles * 1e6:>13.2f}{count:>10}", flush=True)


if __name__ == "__main__":
    main()
