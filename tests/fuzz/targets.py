"""What is fuzzed: every reader as the guarded child runs it, plans, multipart forms, and file names.

A target takes a name and bytes and returns the word ``record`` for a sound result, or raises.  An
error named in ``shared.errors`` is a good answer; anything else raised is a fault of ours.
"""

from __future__ import annotations

import asyncio
import base64
import json
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from random import Random
from types import MappingProxyType
from typing import Any

import numpy as np

from api.inspections.multipart import FormLimits, read_form
from api.uploads.resumable import read_metadata
from api.uploads.service import NAME_LIMIT, display_name, name_in_disposition
from shared.errors import FirstpourError
from shared.file_kinds import carries_unit
from shared.filestore import LocalFileStore
from shared.plan import Plan
from shared.plan_reading import parse_plan
from tests.fuzz.archives import damaged_threemf
from tests.fuzz.mutating import damaged
from tests.fuzz.seeds import seeds_of
from tests.fuzz.structured import damaged_e57, damaged_form, damaged_plan, damaged_step
from worker.reading import MeshSettings, ReadLimits, TessellationSettings, child

LIMITS = ReadLimits(file_bytes=4 << 20)
FORM_LIMITS = FormLimits(1 << 20, frozenset({"plan", "title", "unit"}))
FORM_BYTES_A_PIECE = 700
Damager = Callable[[bytes, Sequence[bytes], Random], bytes]
Reader = Callable[[str, bytes, Path], str]


@dataclass(frozen=True)
class Target:
    """share : of all inputs, in parts;  is_native : reads by foreign machine code, which only the guard can hold."""

    read: Reader
    damage: Damager
    share: int
    is_native: bool = False
    is_file: bool = True


@dataclass(frozen=True)
class Input:
    """One damaged input, made again from the same words at any time."""

    name: str
    content: bytes


def input_of(target: str, seed: int, index: int) -> Input:
    """The ``index``-th input of a target."""
    chance = Random(f"{seed} {target} {index}")  # noqa: S311 - repeatable, no secret
    seeds = seeds_of(target)
    name = chance.choice(sorted(seeds))
    return Input(name, TARGETS[target].damage(seeds[name], list(seeds.values()), chance))


def outcome_of(read: Reader, one: Input, folder: Path) -> str:
    """``record`` or the code of a named error; whatever else is raised is a finding."""
    try:
        return read(one.name, one.content, folder)
    except FirstpourError as error:
        check_told(error)
        return error.code


def check_told(error: FirstpourError) -> None:
    """The child writes an error as JSON, the caller reads what to do."""
    json.dumps([error.code, error.message, error.advice, error.data], allow_nan=False)
    assert error.message
    assert error.advice


def read_file(name: str, content: bytes, folder: Path) -> str:
    """As the child reads it, as a scan or as a nominal, which its checksum decides; in this process."""
    path = folder / "input"
    path.write_bytes(content)
    request = {
        "path": str(path),
        "display_name": name,
        "stated_unit": "mm",
        "role": ("scan", "nominal")[sum(content) & 1],
        "tessellation": asdict(TessellationSettings()),
        "mesh": asdict(MeshSettings()),
    }
    record = child._read(request, LIMITS, folder)
    json.dumps(record, allow_nan=False)
    arrays = {file.stem: np.load(file, allow_pickle=False) for file in folder.glob("*.npy")}
    for file in folder.glob("*.npy"):
        file.unlink()
    check_arrays(arrays, record)
    return "record"


def check_arrays(arrays: Mapping[str, Any], record: Mapping[str, Any]) -> None:
    """What every stage after reading takes for granted."""
    points, triangles, normals = (arrays.get(name) for name in ("points", "triangles", "normals"))
    assert points is not None
    assert len(points) > 1
    assert np.isfinite(points).all()
    assert np.abs(points).max() <= LIMITS.coordinate_mm
    assert 0.0 <= record.get("quantum_mm", 0.0) < np.inf
    if triangles is not None:
        assert triangles.min() >= 0
        assert triangles.max() < len(points)
    if normals is not None:
        lengths = np.linalg.norm(normals, axis=1)
        assert (np.isclose(lengths, 1.0) | (lengths == 0.0)).all()
    if "triangle_face" in arrays:
        assert len(arrays["triangle_face"]) == len(triangles if triangles is not None else ())


def read_plan(name: str, content: bytes, folder: Path) -> str:
    """A plan that is taken can be written as JSON and read again."""
    del folder
    plan = parse_plan(content, name)
    assert Plan.model_validate_json(plan.model_dump_json()) == plan
    return "record"


def read_multipart(name: str, content: bytes, folder: Path) -> str:
    """A form in pieces; a refused one leaves no file behind."""
    del name
    store = _store(folder)
    boundary = content[2:].split(b"\r\n", 1)[0][:80].decode("latin-1")
    try:
        form = asyncio.run(read_form(_pieces(content), f"multipart/form-data; boundary={boundary}", store, FORM_LIMITS))
    except FirstpourError:
        assert not [path for path in (folder / "store").rglob("*") if path.is_file()]
        raise
    for file in form.files:
        assert file.stored.size_bytes > 0
        store.delete(file.stored.key)
    return "record"


@cache
def _store(folder: Path) -> LocalFileStore:
    return LocalFileStore(folder / "store")


async def _pieces(content: bytes) -> AsyncIterator[bytes]:
    for start in range(0, len(content), FORM_BYTES_A_PIECE):
        yield content[start : start + FORM_BYTES_A_PIECE]


def read_names(name: str, content: bytes, folder: Path) -> str:
    """A name of a file by each way it can come: as itself, in Content-Disposition, in the metadata of tus."""
    del name, folder
    text = content.decode("latin-1")
    for given in (text, content.decode("utf-8", "replace"), name_in_disposition(text)):
        shown = display_name(given)
        carries_unit(shown)
        assert 0 < len(shown) <= NAME_LIMIT
        assert not set(shown) & set("/\\\0\r\n\u202e")
        shown.encode()  # no halves of pairs: the database and JSON take it
    read_metadata("filename " + base64.b64encode(content).decode())
    read_metadata(text)
    return "record"


TARGETS: Mapping[str, Target] = MappingProxyType(
    {
        "stl": Target(read_file, damaged, 12),
        "ply": Target(read_file, damaged, 16),
        "obj": Target(read_file, damaged, 12),
        "xyz": Target(read_file, damaged, 12),
        "csv": Target(read_file, damaged, 8),
        "pcd": Target(read_file, damaged, 13),
        "threemf": Target(read_file, damaged_threemf, 9),
        "e57": Target(read_file, damaged_e57, 2, is_native=True),
        "step": Target(read_file, damaged_step, 1, is_native=True),
        "plan": Target(read_plan, damaged_plan, 6, is_file=False),
        "form": Target(read_multipart, damaged_form, 6, is_file=False),
        "names": Target(read_names, damaged, 3, is_file=False),
    }
)
