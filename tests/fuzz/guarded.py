"""The same inputs as the service reads them: in the guarded child, from a process that must not die."""

from __future__ import annotations

from pathlib import Path

from shared.errors import FirstpourError
from shared.units import LengthUnit
from tests.fuzz.targets import LIMITS, input_of
from tests.support.model_files import BOX_POINTS, BOX_TRIANGLES, binary_stl
from worker.reading import Source, check_units, read_nominal, read_scan


def run_guarded(target: str, seed: int, index: int, folder: Path) -> str:
    """``record``, the code of a named error, or ``!`` and what went wrong."""
    one = input_of(target, seed, index)
    path = folder / "guarded"
    path.write_bytes(one.content)
    source = Source(path, one.name, LengthUnit.MILLIMETRE)
    try:
        if index % 2:
            read_nominal(source, limits=LIMITS)
        else:
            scan = read_scan(source, limits=LIMITS)
            (folder / "box.stl").write_bytes(binary_stl(BOX_POINTS, BOX_TRIANGLES))
            check_units(read_nominal(Source(folder / "box.stl", "box.stl", LengthUnit.MILLIMETRE)), scan)
    except FirstpourError as error:
        return error.code
    except Exception as error:  # noqa: BLE001 - to tell of it is what this is for
        return f"!{type(error).__name__} {error}"
    return "record"
