"""Placed parts, what they must clear, and how they move: once as drawn, once as the piece has it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from shared.plan import Clearance, Motion, Plan
from worker.judging.finding import Unmeasured
from worker.judging.measured import Measured
from worker.judging.placing import PartAt, drawn_at, part_at, unplaceable
from worker.mockup.distances import Gap, Target, gap_between
from worker.mockup.meshes import Mesh, closed_piece, mesh_of, part_of, places_of
from worker.mockup.motion import Path, Sweep, SweepSettings, sweep
from worker.records import Bools, Floats
from worker.rigid import RigidTransform

SETTINGS = SweepSettings()
NEAR_MM = (15.0, 60.0)  # how far about a motion is looked first, and then; clearances asked for are a few millimetres
SMALL_COUNT = 20_000  # triangles: smaller targets are asked whole
BOX_POSITIONS = 13


@dataclass(frozen=True, eq=False)
class PieceMesh:
    """The surface of the piece, or of nominal.

    mesh : triangles of ``Samples``, closed at creases;  sample_mm : (s, 3) where each sample lies
    """

    mesh: Mesh
    sample_mm: Floats


@dataclass(frozen=True, eq=False)
class Scene:
    """What moves, and what it must clear.

    movers : meshes with their motion from own frame to the piece's;  T_piece_target : where the target's frame is
    path : in the piece's frame, None of parts that stand
    """

    movers: tuple[tuple[Mesh, RigidTransform], ...]
    target: Target
    T_piece_target: RigidTransform
    path: Path | None

    def moved(self, body: int, position: float) -> RigidTransform:
        """From a mover's own frame to the piece's, at a position."""
        placed = self.movers[body][1]
        return placed if self.path is None else self.path.at(position) @ placed

    def gap(self, body: int, position: float) -> Gap:
        """Clearance of one mover, places and direction in the target's frame.

        Asked of what lies near the motion first: a clearance no larger than that reaches is that of the whole.
        """
        mover, T_target_mover = self.movers[body][0], self.T_piece_target.inverse() @ self.moved(body, position)
        for margin in NEAR_MM if len(self.target.whole.triangles) > SMALL_COUNT else ():
            near = self._near(margin)
            found = None if near is None else near.told(gap_between(mover, near, T_target_mover))
            if found is not None and abs(found.clearance_mm) <= margin:
                return found
        return gap_between(mover, self.target, T_target_mover)

    def _near(self, margin_mm: float) -> Target | None:
        """What of the target lies within a margin of all that moves, made once."""
        if margin_mm not in self._nears:
            self._nears[margin_mm] = self.target.about(self.swept_box_mm + np.array([[-margin_mm], [margin_mm]]))
        return self._nears[margin_mm]

    @cached_property
    def _nears(self) -> dict[float, Target | None]:
        return {}

    @cached_property
    def swept_box_mm(self) -> Floats:
        """(2, 3) box that nothing leaves as it moves, target's frame."""
        T_target_piece = self.T_piece_target.inverse()
        positions = np.zeros(1) if self.path is None else np.linspace(self.path.start, self.path.end, BOX_POSITIONS)
        boxes, between = [], 0.0
        for body, (mesh, placed) in enumerate(self.movers):
            corners = mesh.corners_mm.reshape(-1, 3)
            for position in positions:
                moved = (T_target_piece @ self.moved(body, float(position))).apply(corners)
                boxes.append([moved.min(axis=0), moved.max(axis=0)])
            if self.path is not None:
                step = float(positions[1] - positions[0])
                between = max(between, step / 2 * self.path.reach(placed.apply(corners)))
        low, high = np.array(boxes).transpose(1, 0, 2)
        return np.stack([low.min(axis=0) - between, high.max(axis=0) + between])

    @cached_property
    def swept(self) -> Sweep:
        """All positions, or the one there is."""
        bodies = range(len(self.movers))

        def clearances(position: float) -> list[float]:
            return [self.gap(body, position).clearance_mm for body in bodies]

        if self.path is None:
            found = np.array([clearances(0.0)])
            return Sweep(np.zeros(1), found, float(found.min()))
        reach = np.array([self.path.reach(placed.apply(mesh.vertices_mm)) for mesh, placed in self.movers])
        return sweep(clearances, (self.path.start, self.path.end), reach, SETTINGS)

    @property
    def worst(self) -> tuple[int, float]:
        """The body that comes nearest, and its position."""
        row, body = self.swept.least
        return body, float(self.swept.positions[row])


@dataclass(frozen=True, eq=False)
class Scenes:
    """The same twice, and the parts in it.

    against : the part that is cleared, None where it is the piece
    is_counted : (s,) samples that are cleared, None of a part
    """

    drawn: Scene
    actual: Scene
    parts: tuple[PartAt, ...]
    against: PartAt | None
    is_counted: Bools | None


def scenes(line: Clearance, plan: Plan, measured: Measured) -> Scenes | Unmeasured:
    """Both scenes of a line; the reason where a part cannot be placed on this piece."""
    parts: list[PartAt] = []
    names = [line.body, *line.moving]
    is_part = line.against in {entry.name for entry in plan.mock_up}
    for name in (*names, line.against) if is_part else names:
        found = part_at(name, plan, measured)
        if isinstance(found, Unmeasured):
            return found
        parts.append(found)
    against = parts.pop() if is_part else None
    is_counted = None if is_part else _counted(line.against, plan, measured)
    carry = parts[0].T_actual @ parts[0].T_drawn.inverse()
    way = None if line.motion is None else carried(_path(line.motion), carry)
    movers = tuple((part.mesh, part.T_actual) for part in parts)
    if against is not None:
        actual = Scene(movers, Target.all_of(against.mesh), against.T_actual, way)
    else:
        target = _piece_target(line, measured, is_counted, is_drawn=False)
        actual = Scene(movers, target, RigidTransform.identity(), way)
    return Scenes(drawn_scene(line, plan, measured), actual, tuple(parts), against, is_counted)


def drawn_scene(line: Clearance, plan: Plan, measured: Measured) -> Scene:
    """The scene as drawn: nominal, and the parts on it.

    Raises
    ------
    PlanInvalid
        If a part cannot be placed on nominal, or what is to be cleared has no surface.

    """

    def make() -> Scene:
        movers = tuple(drawn_at(name, plan, measured) for name in (line.body, *line.moving))
        path = None if line.motion is None else _path(line.motion)
        if line.against in {entry.name for entry in plan.mock_up}:
            mesh, placed = drawn_at(line.against, plan, measured)
            return Scene(movers, Target.all_of(mesh), placed, path)
        target = _piece_target(line, measured, _counted(line.against, plan, measured), is_drawn=True)
        return Scene(movers, target, RigidTransform.identity(), path)

    return measured.once(("mock up scene", line, plan.mock_up), make)


def carried(path: Path, motion: RigidTransform) -> Path:
    """A path that a part takes along."""
    point = None if path.point_mm is None else motion.apply(path.point_mm)
    return Path(path.start, path.end, motion.turn(path.axis), point)


def piece_mesh(measured: Measured, *, is_drawn: bool) -> PieceMesh:
    """The whole surface: of nominal, or of the piece with its deviation calmed by that of its neighbours."""

    def make() -> PieceMesh:
        samples, deviation = measured.samples, measured.deviation
        offset = np.zeros(len(samples.face))
        if not is_drawn and deviation is not None:
            calm = measured.net.smooth(deviation.distance_mm, deviation.is_measured)
            offset = np.where(deviation.is_measured, calm, 0.0)
        places = measured.once("mock up places", lambda: places_of(samples.points_mm))
        vertices, place = closed_piece(samples, offset, places)
        mesh = mesh_of(vertices, place[samples.triangles])
        if mesh is None:
            raise ValueError("nominal without a surface")
        return PieceMesh(mesh, vertices[place])

    return measured.once(("mock up piece", is_drawn), make)


def _counted(name: str, plan: Plan, measured: Measured) -> Bools:
    if name in {region.name for region in plan.regions}:
        return measured.region(name).is_member
    return np.ones(len(measured.samples.face), dtype=bool)


def _piece_target(line: Clearance, measured: Measured, is_counted: Bools | None, *, is_drawn: bool) -> Target:
    whole = piece_mesh(measured, is_drawn=is_drawn).mesh
    if is_counted is None or is_counted.all():
        return Target.all_of(whole)
    member = np.asarray(is_counted[measured.samples.triangles[whole.source]].all(axis=1))
    part = part_of(whole, member)
    if part is None:
        raise unplaceable(
            f"characteristic {line.id}", f"'{line.against}' holds no whole triangle", "Choose a larger region."
        )
    return Target(part, whole, member)


def _path(motion: Motion) -> Path:
    if motion.rotation is not None:
        turn = motion.rotation
        start, end = sorted(np.radians([turn.from_degrees, turn.to_degrees]))
        return Path(float(start), float(end), _unit(turn.axis), np.array(turn.point))
    if motion.slide is None:
        raise ValueError("a motion that neither turns nor slides")
    start, end = sorted(motion.slide.travel)
    return Path(float(start), float(end), _unit(motion.slide.direction), None)


def _unit(vector: tuple[float, float, float]) -> Floats:
    along: Floats = np.array(vector) / np.linalg.norm(vector)
    return along


def near_minima(found: Sweep, limit: int) -> Iterator[tuple[int, int]]:
    """(row, body) of the lowest local minima of a sweep, lowest first."""
    least = found.clearance_mm.min(axis=1)
    around = np.concatenate([[np.inf], least, [np.inf]])
    is_low = (least <= around[:-2]) & (least < around[2:])
    rows = np.flatnonzero(is_low)
    for row in rows[np.argsort(least[rows], kind="stable")][:limit]:
        yield int(row), int(np.argmin(found.clearance_mm[row]))
