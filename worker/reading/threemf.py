"""3MF (core specification 1.3 with the production extension): objects placed by the build, in the file's unit."""

from __future__ import annotations

import lzma
import struct
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from lxml import etree

from shared.errors import FileExpandsTooFar
from shared.units import LengthUnit
from worker.reading.faults import check_counts, corrupt, empty, truncated
from worker.reading.parsed import FLOAT32, Floats, Ints, Parsed
from worker.reading.settings import ReadLimits
from worker.reading.source import OpenFile

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
HARMLESS = {CORE, PRODUCTION, "http://schemas.microsoft.com/3dmanufacturing/material/2015/02"}
MODEL_RELATION = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
DEPTH_LIMIT = 32  # components within components; real files have two or three levels
NUMBER_LENGTH = 64  # of one number as text; float64 needs 25, and a table is as wide as its longest
INSTANCE_LIMIT = 10_000  # placed objects in all, a second of work; a full build plate holds hundreds
# What zipfile was seen to raise on damaged archives; its documentation names BadZipFile only.
ZIP_FAULTS = (
    zipfile.BadZipFile, OSError, EOFError, zlib.error, lzma.LZMAError, NotImplementedError, RuntimeError, ValueError,
    OverflowError, struct.error,
)  # fmt: skip
UNITS = {
    "micron": LengthUnit.MICROMETRE,
    "millimeter": LengthUnit.MILLIMETRE,
    "centimeter": LengthUnit.CENTIMETRE,
    "meter": LengthUnit.METRE,
    "inch": LengthUnit.INCH,
    "foot": LengthUnit.FOOT,
}


@dataclass(frozen=True, eq=False)
class MeshPart:
    """One mesh in its object's frame."""

    points: Floats
    triangles: Ints


@dataclass(frozen=True, eq=False)
class Placed:
    """A mesh and the (4, 3) matrix that places it: ``[x y z 1] @ matrix``."""

    mesh: MeshPart
    matrix: Floats


def read_threemf(file: OpenFile, limits: ReadLimits) -> Parsed:
    """All objects the build places, in the model's unit."""
    try:
        archive = zipfile.ZipFile(file.path)
    except ZIP_FAULTS as error:
        raise truncated(file, f"its zip archive is damaged or ends early ({error})") from error
    with archive:
        check_expansion(file, archive, limits)
        package = Package(file, archive, limits)
        placed = list(package.build())
        unit = package.unit()
    if not placed:
        raise empty(file, "places no object in its build")
    offsets = np.cumsum([0, *(len(item.mesh.points) for item in placed)])
    with np.errstate(over="ignore", invalid="ignore"):  # too far to be finite is dealt with later
        points = np.concatenate([item.mesh.points @ item.matrix[:3] + item.matrix[3] for item in placed])
    triangles = np.concatenate([_wound(item) + start for item, start in zip(placed, offsets[:-1], strict=True)])
    return Parsed(points, triangles, unit=unit, written_as=FLOAT32)


def check_expansion(file: OpenFile, archive: zipfile.ZipFile, limits: ReadLimits) -> None:
    """Refuse an archive by the sizes it declares; zipfile itself never unpacks more than those.

    Raises
    ------
    FileExpandsTooFar
        If the content is over the limit, or packed more tightly than any mesh can be.

    """
    expanded = sum(item.file_size for item in archive.infolist())
    ratio = expanded / file.size_bytes
    is_bomb = ratio > limits.expansion_ratio and expanded > limits.small_expansion_bytes
    if is_bomb or expanded > limits.expanded_bytes:
        raise FileExpandsTooFar(
            f"{file.name} would unpack to {expanded} bytes, {ratio:.0f} times its size.",
            file=file.name,
            advice="Export the model again; a real 3MF unpacks to 4 to 30 times its size.",
            expanded_bytes=expanded,
            ratio=ratio,
        )


def _wound(item: Placed) -> Ints:
    """Triangles as seen from outside also when the placement mirrors."""
    is_mirrored = _determinant(item.matrix[:3]) < 0
    return item.mesh.triangles[:, ::-1] if is_mirrored else item.mesh.triangles


class Package:
    """The parts of one archive, parsed when first asked for."""

    def __init__(self, file: OpenFile, archive: zipfile.ZipFile, limits: ReadLimits) -> None:
        self._file, self._archive, self._limits = file, archive, limits
        self._names = {name.strip("/").lower(): name for name in archive.namelist()}
        self._models: dict[str, Any] = {}
        self._objects: dict[str, dict[str, Any]] = {}
        self._meshes: dict[tuple[str, str], MeshPart] = {}
        self._triangle_count = 0
        self._instance_count = 0
        self._root_part = self._start_part()

    def unit(self) -> LengthUnit:
        """Return the unit of the root model; the specification's default is millimetre."""
        word = self._model(self._root_part).get("unit", "millimeter")
        if word not in UNITS:
            raise corrupt(self._file, f"its unit is {word[:40]!r}, which 3MF does not know")
        return UNITS[word]

    def build(self) -> Iterator[Placed]:
        """Every mesh the build places, components resolved."""
        items = self._model(self._root_part).findall(f"{{{CORE}}}build/{{{CORE}}}item")
        for item in items:
            yield from self._object(self._part_of(item, self._root_part), item.get("objectid"), self._matrix(item), 0)

    def _start_part(self) -> str:
        if "_rels/.rels" in self._names:
            for relation in self._xml("_rels/.rels"):
                if relation.get("Type") == MODEL_RELATION:
                    return str(relation.get("Target", "")).strip("/").lower()
        if "3d/3dmodel.model" in self._names:
            return "3d/3dmodel.model"
        raise corrupt(self._file, "the archive holds no 3MF model")

    def _xml(self, part: str) -> Any:
        if part not in self._names:
            raise corrupt(self._file, f"it refers to a part {part[:80]!r} that it does not hold")
        content = self._content(part)
        parser = etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False)
        try:
            root = etree.fromstring(content, parser)
        except (etree.XMLSyntaxError, ValueError) as error:
            raise corrupt(self._file, f"its XML is broken ({str(error)[:120]})") from error
        described: Any = root.getroottree().docinfo
        if described.doctype:
            raise corrupt(self._file, "its XML declares a document type, which 3MF forbids")
        return root

    def _content(self, part: str) -> bytes:
        try:
            return self._archive.read(self._names[part])
        except ZIP_FAULTS as error:
            raise truncated(self._file, f"its zip archive is damaged at {part[:80]!r} ({error})") from error

    def _model(self, part: str) -> Any:
        if part not in self._models:
            model = self._models[part] = self._xml(part)
            needed = {model.nsmap.get(prefix) for prefix in model.get("requiredextensions", "").split()}
            if needed - HARMLESS:
                raise corrupt(
                    self._file,
                    f"it needs the extension {', '.join(sorted(map(str, needed - HARMLESS)))[:120]}",
                    advice="Export it as a plain mesh.",
                )
        return self._models[part]

    def _object(self, part: str, object_id: str | None, matrix: Floats, depth: int) -> Iterator[Placed]:
        self._instance_count += 1
        if depth > DEPTH_LIMIT or self._instance_count > INSTANCE_LIMIT:
            raise corrupt(self._file, "its components are nested or repeated without end")
        found = self._objects_of(part).get(object_id or "")
        if found is None:
            raise corrupt(self._file, f"it places object {str(object_id)[:20]!r}, which it does not hold")
        for mesh in found.findall(f"{{{CORE}}}mesh"):
            read = self._mesh((part, str(object_id)), mesh)
            self._triangle_count += len(read.triangles)
            check_counts(self._file, self._limits, triangles=self._triangle_count)
            yield Placed(read, matrix)
        for component in found.findall(f"{{{CORE}}}components/{{{CORE}}}component"):
            inner = _chained(self._matrix(component), matrix)
            yield from self._object(self._part_of(component, part), component.get("objectid"), inner, depth + 1)

    def _objects_of(self, part: str) -> dict[str, Any]:
        """Objects by id; of two with one id the first."""
        if part not in self._objects:
            found = self._model(part).findall(f"{{{CORE}}}resources/{{{CORE}}}object")
            self._objects[part] = {item.get("id", ""): item for item in reversed(found)}
        return self._objects[part]

    def _part_of(self, node: Any, part: str) -> str:
        return str(node.get(f"{{{PRODUCTION}}}path", part)).strip("/").lower()

    def _matrix(self, node: Any) -> Floats:
        """Return the (4, 3) placement of an item or component; identity where none is given."""
        words = node.get("transform", "1 0 0 0 1 0 0 0 1 0 0 0").split()
        values = self._numbers(words, np.float64)
        is_whole = values.size == 12 and bool(np.isfinite(values).all())
        if not is_whole or not abs(_determinant(values[:9].reshape(3, 3))) > 0:  # NaN is not
            raise corrupt(self._file, f"a placement in it is no invertible matrix: {' '.join(words)[:80]!r}")
        return np.asarray(values.reshape(4, 3), dtype=np.float64)

    def _mesh(self, key: tuple[str, str], node: Any) -> MeshPart:
        if key not in self._meshes:
            points = self._table(node, "m:vertices/m:vertex", ("x", "y", "z"), np.float64)
            triangles = self._table(node, "m:triangles/m:triangle", ("v1", "v2", "v3"), np.int64)
            if len(triangles) and not (triangles.min() >= 0 and triangles.max() < len(points)):
                raise corrupt(self._file, f"a triangle refers to a vertex beyond the {len(points)} there are")
            self._meshes[key] = MeshPart(points, triangles)
        return self._meshes[key]

    def _table(self, node: Any, path: str, names: tuple[str, str, str], kind: type) -> Any:
        columns = [node.xpath(f"{path}/@{name}", namespaces={"m": CORE}, smart_strings=False) for name in names]
        count = int(node.xpath(f"count({path})", namespaces={"m": CORE}))
        if any(len(column) != count for column in columns):
            raise corrupt(self._file, f"not every {path.rsplit(':', maxsplit=1)[-1]} has {', '.join(names)}")
        return np.column_stack([self._numbers(column, kind) for column in columns])

    def _numbers(self, words: list[str], kind: type) -> Any:
        if max(map(len, words), default=0) > NUMBER_LENGTH:
            raise corrupt(self._file, f"a number in it has more than {NUMBER_LENGTH} characters")
        try:
            return np.array(words, dtype=np.str_).astype(kind) if words else np.empty(0, dtype=kind)
        except (ValueError, OverflowError) as error:
            raise corrupt(self._file, f"a number in it is none ({str(error)[:80]})") from error


def _determinant(matrix: Floats) -> float:
    """NaN or infinite, without a word, where a number of the file is."""
    with np.errstate(over="ignore", invalid="ignore"):
        return float(np.linalg.det(matrix))


def _chained(inner: Floats, outer: Floats) -> Floats:
    """Place by ``inner``, then by ``outer``."""
    with np.errstate(over="ignore", invalid="ignore"):
        return np.vstack([inner[:3] @ outer[:3], inner[3] @ outer[:3] + outer[3]])
