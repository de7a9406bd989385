"""What the person asked for: files that exist, their units, a plan that reads."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from shared.errors import FileEmpty, FileKindUnknown, FileRejected, RequestInvalid, UnitMissing
from shared.file_kinds import CARRIES_UNIT, carries_unit
from shared.plan import Plan
from shared.plan_reading import parse_plan, plan_text
from shared.units import LengthUnit
from worker.job_records import BodyFile, InputFile

TITLE_LIMIT = 200  # as in the row of an inspection
UNITS = ", ".join(unit.value for unit in LengthUnit)


@dataclass(frozen=True, kw_only=True)
class Asked:
    """One inspection as asked for on the command line, checked as far as names and the plan go."""

    nominal: InputFile
    scan: InputFile
    bodies: tuple[BodyFile, ...]
    plan: Plan | None
    plan_source: str | None
    title: str

    @classmethod
    def of(
        cls, nominal: Path, scan: Path, *, plan: Path | None, bodies: tuple[BodyFile, ...], title: str | None
    ) -> Asked:
        """Check the files and read the plan; raises InputError."""
        text = plan_bytes(plan) if plan else None
        return cls(
            nominal=_input(nominal),
            scan=_input(scan),
            bodies=bodies,
            plan=None if text is None or plan is None else parse_plan(text, plan.name),
            plan_source=None if text is None else plan_text(text),
            title=title or f"{scan.name} against {nominal.name}"[:TITLE_LIMIT],
        )

    def with_units(
        self, unit: LengthUnit | None, nominal_unit: LengthUnit | None, scan_unit: LengthUnit | None
    ) -> Asked:
        """State units: ``unit`` goes to every file that carries none and is not named apart."""
        nominal = _with_unit(self.nominal, nominal_unit, unit, "--nominal-unit")
        return replace(
            self,
            nominal=nominal,
            scan=_with_unit(self.scan, scan_unit, unit, "--scan-unit"),
            bodies=with_unit(self.bodies, nominal_unit or unit),
        )


def nominal_file(path: Path, own: LengthUnit | None, general: LengthUnit | None) -> InputFile:
    """The CAD, checked as far as its name goes, with its unit stated; raises InputError."""
    return _with_unit(_input(path), own, general, "--nominal-unit")


def bodies_of(cores: Iterable[str], parts: Iterable[str]) -> tuple[BodyFile, ...]:
    """Cores and bought-in parts given as NAME=FILE; raises InputError."""
    return (*(_body(text, "core") for text in cores), *(_body(text, "part") for text in parts))


def with_unit(bodies: Iterable[BodyFile], unit: LengthUnit | None) -> tuple[BodyFile, ...]:
    """The same with the unit stated for those that carry none; raises InputError."""
    return tuple(replace(body, file=_with_unit(body.file, None, unit, "--unit")) for body in bodies)


def _input(path: Path) -> InputFile:
    """A file that is there, is not empty, and has an ending we read."""
    name = path.name
    if not path.is_file():
        reason = "is a folder" if path.is_dir() else "does not exist"
        raise FileRejected(f"{path} {reason}.", file=name, advice="Check the path.")
    if carries_unit(name) is None:
        endings = ", ".join(CARRIES_UNIT)
        raise FileKindUnknown(
            f"{name}: files with this ending are not read.", file=name, advice=f"Save it as one of {endings}."
        )
    if path.stat().st_size == 0:
        raise FileEmpty(f"{name} is empty (0 bytes).", file=name, advice="Export or copy it again.")
    return InputFile(path.resolve(), name)


def _with_unit(file: InputFile, own: LengthUnit | None, general: LengthUnit | None, option: str) -> InputFile:
    has_unit = carries_unit(file.display_name)
    stated = own or (None if has_unit else general)
    if stated is None and not has_unit:
        raise UnitMissing(
            f"{file.display_name} carries no unit, and none was stated.",
            advice=f"State it with --unit or {option}: one of {UNITS}.",
            file=file.display_name,
        )
    return replace(file, stated_unit=stated)


def _body(text: str, role: str) -> BodyFile:
    name, separator, path = text.partition("=")
    if not (name and separator and path):
        raise RequestInvalid(f"--{role} {text} is not NAME=FILE.", advice=f"Write it as --{role} name=file.step.")
    return BodyFile(name, role, _input(Path(path)))


def plan_bytes(path: Path) -> bytes:
    """The text of a plan; raises FileRejected."""
    try:
        return path.read_bytes()
    except OSError as error:
        raise FileRejected(
            f"The plan {path} cannot be read: {error.strerror}.", file=path.name, advice="Check the path."
        ) from error
