"""The nominal and its features, for commands that look at the CAD alone."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from shared.drafting import feature_words
from shared.drafting.words import name_words
from shared.feature_list import FeatureList, FeatureRecord
from shared.units import LengthUnit
from worker.command import talking
from worker.command.columns import columns
from worker.exit_codes import ExitCode
from worker.features.detect import detect_features
from worker.features.listing import list_features
from worker.features.records import Feature
from worker.job_records import BodyFile, InputFile
from worker.measuring.samples import sample_nominal
from worker.reading import Source, read_body, read_nominal
from worker.records import Body, Nominal, Samples

SHOWN_UNITS = (LengthUnit.MILLIMETRE, LengthUnit.INCH)  # files in metres or feet are shown in millimetres


@dataclass(frozen=True, eq=False)
class Looked:
    """A nominal as read, and what was found on it."""

    nominal: Nominal
    features: tuple[Feature, ...]
    listed: FeatureList

    @cached_property
    def samples(self) -> Samples:
        """The places an inspection would measure at."""
        return sample_nominal(self.nominal)


def look_at(file: InputFile) -> Looked:
    """Read the nominal, in a guarded child as an inspection does, and find its features."""
    nominal = read_nominal(_source(file))
    features = detect_features(nominal)
    stated = None if file.stated_unit is None else file.stated_unit.value
    return Looked(nominal, features, list_features(features, nominal, file=file.display_name, stated_unit=stated))


def read_cores(bodies: tuple[BodyFile, ...]) -> tuple[Body, ...]:
    """Read the cores."""
    return tuple(read_body(_source(body.file), name=body.name, role=body.role) for body in bodies)


def _source(file: InputFile) -> Source:
    return Source(file.path, file.display_name, file.stated_unit)


def shown_unit(asked: LengthUnit | None, listed: FeatureList) -> LengthUnit:
    """The unit asked for, else the file's own where people think in it."""
    own = LengthUnit(listed.unit)
    return asked or (own if own in SHOWN_UNITS else LengthUnit.MILLIMETRE)


def list_here(file: InputFile, *, unit: LengthUnit | None, as_json: bool) -> ExitCode:
    """``firstpour features``: what a plan can point at."""
    listed = look_at(file).listed
    if as_json:
        talking.say_json(listed.model_dump(mode="json"))
        return ExitCode.CONFORMS
    shown = shown_unit(unit, listed)
    if listed.features:
        talking.say(
            columns(("id", f"what and where ({shown.value})", "faces"), [_row(f, shown) for f in listed.features])
        )
    else:
        talking.say(f"No features were found on {Path(listed.file).name}.")
    return ExitCode.CONFORMS


def _row(feature: FeatureRecord, unit: LengthUnit) -> tuple[str, str, str]:
    faces = ", ".join(map(str, feature.faces))
    return name_words(feature), feature_words(feature, unit), faces
