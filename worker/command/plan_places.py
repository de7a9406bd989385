"""Whether the CAD has what a plan names: features, faces, cores, regions, limits."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pydantic import BaseModel

from shared.errors import PlanInvalid
from shared.plan import FeaturePick, Plan, Scenario, Solve
from worker.command.nominal import Looked
from worker.features.find import find_feature
from worker.features.records import Feature, FeatureKind
from worker.judging.limits import LineLimits, limits_of
from worker.judging.measured import Measured
from worker.measuring.regions import Places, choose_regions
from worker.records import Alignment, AlignmentStatus, Body, Orientation, Region

Path = tuple[str | int, ...]
ROUND = (FeatureKind.HOLE, FeatureKind.BOSS)
FORMS = {"flatness": (FeatureKind.PLANE,), "roundness": ROUND, "cylindricity": ROUND}
FORM_WORDS = {"flatness": "planes", "roundness": "holes and bosses", "cylindricity": "holes and bosses"}


@dataclass(frozen=True)
class Resolved:
    """One line of the plan: the ids of the features and regions it names, and its limits."""

    id: str
    kind: str
    places: tuple[str, ...]
    stated: LineLimits


@dataclass(frozen=True, eq=False)
class Checked:
    """What was found: every line, or faults with the path of each."""

    lines: tuple[Resolved, ...]
    faults: tuple[tuple[Path, str], ...]


def check_places(plan: Plan, looked: Looked, bodies: tuple[Body, ...]) -> Checked:
    """Look every name of a plan up in the CAD.

    plan : lengths in its own unit
    """
    plan_mm = plan.to_mm()
    checker = _Checker(plan_mm, looked, bodies)
    checker.regions()
    checker.datums()
    checker.lines()
    checker.moves()
    return Checked(tuple(checker.resolved), tuple(checker.faults))


class _Checker:
    def __init__(self, plan_mm: Plan, looked: Looked, bodies: tuple[Body, ...]) -> None:
        self._plan, self._looked, self._bodies = plan_mm, looked, bodies
        self._measured = _without_scan(looked, (), bodies)
        self._is_placed = True
        self.resolved: list[Resolved] = []
        self.faults: list[tuple[Path, str]] = []

    def regions(self) -> None:
        places = Places(self._looked.nominal, self._looked.samples, self._bodies, self._looked.features)
        found: list[Region] = []
        for index, choice in enumerate(self._plan.regions):
            alone = self._plan.model_copy(update={"regions": (choice,)})
            try:
                found += choose_regions(alone, places)
            except PlanInvalid as error:
                self._is_placed = False
                self._fault(("regions", index), f"region {choice.name}: {_what(error)}")
        self._measured = _without_scan(self._looked, tuple(found), self._bodies)

    def datums(self) -> None:
        for index, datum in enumerate(self._plan.datums):
            for path, pick in picks_in(datum):
                self._find(("datums", index, *path), pick, f"datum {datum.letter}")

    def lines(self) -> None:
        for index, line in enumerate(self._plan.characteristics):
            where = f"characteristic {line.id}"
            found = [
                self._find(("characteristics", index, *path), pick, where, line.kind) for path, pick in picks_in(line)
            ]
            features = [feature for feature in found if feature is not None]
            if len(features) < len(found):
                continue
            stated = self._limits(index, line)
            if stated is not None:
                self._check_fit(index, line, features)
                places = (*(feature.id for feature in features), *line_regions(line))
                self.resolved.append(Resolved(line.id, line.kind, places, stated))

    def moves(self) -> None:
        """Features that scenarios and solves move."""
        lists: dict[str, Sequence[Scenario | Solve]] = {"what_if": self._plan.what_if, "solve": self._plan.solve}
        for key, entries in lists.items():
            for index, entry in enumerate(entries):
                for place, move in enumerate(entry.moves):
                    for path, pick in picks_in(move):
                        self._find((key, index, "moves", place, *path), pick, f"{key.replace('_', ' ')} {entry.name}")

    def _find(self, path: Path, pick: FeaturePick, where: str, kind: str = "") -> Feature | None:
        try:
            feature = find_feature(self._looked.features, pick, self._looked.nominal, where=where)
        except PlanInvalid as error:
            self._fault(path, error.message)
            return None
        if kind in FORMS and feature.kind not in FORMS[kind]:
            self._fault(path, f"{where}: {kind} is of {FORM_WORDS[kind]}, {feature.id} is a {feature.kind.value}")
            return None
        return feature

    def _limits(self, index: int, line: BaseModel) -> LineLimits | None:
        if line_regions(line) and not self._is_placed:
            return None  # the region's own fault is told
        try:
            return limits_of(line, self._plan, self._measured)
        except PlanInvalid as error:
            self._fault(("characteristics", index), f"{error.message} {error.advice}")
            return None

    def _check_fit(self, index: int, line: BaseModel, features: Sequence[Feature]) -> None:
        fit = getattr(line, "fit", None)
        if fit is None or not features:
            return
        feature = features[0]
        if fit[0].isupper() != feature.is_internal:
            other = fit.lower() if fit[0].isupper() else fit.upper()
            what = "holes" if fit[0].isupper() else "shafts"
            self._fault(
                ("characteristics", index, "fit"), f"{fit} is for {what}, {feature.id} is none; write {other} if meant"
            )

    def _fault(self, path: Path, message: str) -> None:
        self.faults.append((path, message.rstrip(".")))


def picks_in(part: BaseModel) -> Iterator[tuple[Path, FeaturePick]]:
    """(path within it, pick) for every feature that a line or a datum picks."""
    for key in type(part).model_fields:
        value = getattr(part, key)
        if isinstance(value, FeaturePick):
            yield (key,), value
        elif isinstance(value, tuple):
            yield from (((key, place), pick) for place, pick in enumerate(value) if isinstance(pick, FeaturePick))


def line_regions(line: BaseModel) -> list[str]:
    """Regions a line speaks of."""
    return [name for key in ("region", "toward") if (name := getattr(line, key, None)) is not None]


def _what(error: PlanInvalid) -> str:
    """The fault alone, of an error that names the region before it."""
    faults = error.data.get("faults")
    return str(faults[0]).partition("': ")[2] if isinstance(faults, list) and faults else error.message


def _without_scan(looked: Looked, regions: tuple[Region, ...], bodies: tuple[Body, ...]) -> Measured:
    """What limits are looked up in: the scan has no say in them."""
    reason = "no scan was looked at"
    orientation = Orientation(AlignmentStatus.NOT_ALIGNED, reason, None, (), 0, 0.0, 0.0, 0)
    return Measured(
        nominal=looked.nominal,
        samples=looked.samples,
        alignment=Alignment.refused(orientation, reason),
        deviation=None,
        thickness=None,
        regions=regions,
        quantum_mm=0.0,
        features=looked.features,
        bodies=tuple(body for body in bodies if body.role != "core"),
    )
