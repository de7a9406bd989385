"""One inspection, from files to report: this module only assembles the stages."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

import numpy as np

from shared.plan import Plan
from shared.report import Provenance, Tessellation
from shared.states import Stage
from shared.units import LengthUnit
from worker.aligning.align import AlignSettings, align
from worker.datums.records import MeasuringFrame
from worker.features.detect import detect_features
from worker.job_records import BodyFile, InputFile, InspectionJob, InspectionResult, Progress
from worker.judging.characteristics import judge_plan
from worker.judging.chosen import aligned_to, chosen_frame
from worker.judging.feature_lines import feature_lines
from worker.judging.frame_lines import frame_lines
from worker.judging.measured import Measured
from worker.judging.temperature import thermal_correction
from worker.measuring.deviation import DeviationSettings, measure_deviation
from worker.measuring.regions import Places, choose_regions, core_regions, region_triangles
from worker.measuring.samples import SampleSettings, sample_nominal
from worker.measuring.scan_points import facing_out
from worker.measuring.thickness import ThicknessSettings, measure_thickness
from worker.provenance import Stopwatch, file_record, firstpour_version, library_versions, run_record, settings_record
from worker.reading import ReadLimits, Source, check_units, read_body, read_pair
from worker.records import AlignmentStatus, Body, Bools, Deviation, Nominal, Region, Samples, Scan
from worker.reporting.inspected import Inspected
from worker.reporting.write import write_inspection
from worker.rigid import RigidTransform
from worker.surface import SurfaceQuery
from worker.whatif.run import run_what_if, what_if_sections

NO_PLAN = Plan(firstpour_plan="1")


@dataclass(frozen=True, kw_only=True)
class PipelineSettings:
    """Settings of every stage; each explains its own defaults."""

    read: ReadLimits = field(default_factory=ReadLimits)
    sample: SampleSettings = field(default_factory=SampleSettings)
    align: AlignSettings = field(default_factory=AlignSettings)
    deviation: DeviationSettings = field(default_factory=DeviationSettings)
    thickness: ThicknessSettings = field(default_factory=ThicknessSettings)


@dataclass(frozen=True, eq=False)
class Inputs:
    """What reading gave."""

    nominal: Nominal
    scan: Scan
    bodies: tuple[Body, ...]


SETTINGS = PipelineSettings()


class Course:
    """Where the inspection stands: says which stage begins, and times it."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self.watch = Stopwatch()

    @contextmanager
    def stage(self, stage: Stage) -> Iterator[None]:
        """Say and time one stage."""
        self._progress(stage, 0.0)
        with self.watch.stage(stage.value):
            yield
        self._progress(stage, 1.0)


def inspect(job: InspectionJob, *, out_dir: Path, progress: Progress) -> InspectionResult:
    """Run one inspection and write ``report.json`` and ``report.html`` into ``out_dir``.

    Raises
    ------
    FirstpourError
        For everything expected: unreadable files, missing or contradicting units, a wrong plan.

    """
    course = Course(progress)
    plan_mm = (job.plan or NO_PLAN).to_mm()
    with course.stage(Stage.READ):
        inputs = read_inputs(job, plan_mm)
    inspected = _inspected(job, plan_mm, inputs, course)
    with course.stage(Stage.REPORT):
        return InspectionResult(write_inspection(inspected, out_dir))


def read_inputs(job: InspectionJob, plan_mm: Plan) -> Inputs:
    """The job's files; plan_mm : lengths in mm.  Raises FirstpourError for what cannot be read."""
    with ThreadPoolExecutor(max_workers=2) as pool:
        bodies = pool.map(_body, job.bodies)
        nominal, scan = read_pair(_source(job.nominal), _source(job.scan), limits=SETTINGS.read)
        check_units(nominal, scan)
        return Inputs(nominal, _at_20_degrees(scan, plan_mm), tuple(bodies))


def _at_20_degrees(scan: Scan, plan_mm: Plan) -> Scan:
    """The scan as it would be at 20 degrees, where the plan states its temperature."""
    thermal = thermal_correction(plan_mm)
    return scan if thermal is None else replace(scan, points_mm=thermal.factor * scan.points_mm)


def _source(file: InputFile) -> Source:
    return Source(file.path, file.display_name, file.stated_unit)


def _body(body: BodyFile) -> Body:
    return read_body(_source(body.file), name=body.name, role=body.role, limits=SETTINGS.read)


def measure(job: InspectionJob, plan_mm: Plan, inputs: Inputs, course: Course) -> Measured:
    """Align and map: all that lines are judged from.  Raises FirstpourError for a plan that does not fit the part."""
    nominal = inputs.nominal
    with course.stage(Stage.ALIGN):
        with course.watch.stage("sample"):
            samples = sample_nominal(nominal, settings=SETTINGS.sample)
            surface = SurfaceQuery(nominal.vertices_mm, nominal.triangles, thread_count=job.thread_count)
            features = detect_features(nominal)
            planned = choose_regions(plan_mm, Places(nominal, samples, inputs.bodies, features))
            cores = core_regions(nominal, samples, inputs.bodies)
        alignment = align(
            nominal,
            samples,
            inputs.scan,
            surface=surface,
            settings=SETTINGS.align,
            seed=job.seed,
            left_out=_triangles_of(cores, samples, nominal),
        )
    thermal = thermal_correction(plan_mm)
    measured = Measured(
        nominal=nominal,
        samples=samples,
        alignment=alignment,
        deviation=None,
        thickness=None,
        regions=(*planned, *_unplanned(cores, planned)),
        quantum_mm=inputs.scan.quantum_mm,
        features=features,
        bodies=tuple(body for body in inputs.bodies if body.role != "core"),
        strain_sigma=0.0 if thermal is None else thermal.strain_sigma,
    )
    if alignment.status is AlignmentStatus.NOT_ALIGNED or alignment.T_nominal_scan is None:
        return measured
    with course.stage(Stage.DEVIATION):
        settings = replace(SETTINGS.deviation, thread_count=job.thread_count)
        scan = facing_out(inputs.scan, alignment.normal_sign)
        deviate = partial(measure_deviation, nominal, samples, scan, surface=surface, settings=settings)
        measured = _in_chosen_frame(measured, plan_mm, deviate)
    with course.stage(Stage.THICKNESS):
        walls = replace(SETTINGS.thickness, thread_count=job.thread_count)
        limit_mm = plan_mm.maps.thin_wall
        thickness = measure_thickness(samples, surface, measured.deviation, spot_limit_mm=limit_mm, settings=walls)
    return replace(measured, thickness=thickness)


def _in_chosen_frame(measured: Measured, plan_mm: Plan, deviate: Callable[[RigidTransform], Deviation]) -> Measured:
    """Deviations from where the plan's alignment puts nominal: the pose itself, or that moved once more."""
    pose = measured.alignment.T_nominal_scan
    assert pose is not None  # noqa: S101 not aligned ended before
    posed = replace(measured, deviation=deviate(pose), remeasure=lambda T_frame_pose: deviate(T_frame_pose @ pose))
    frame = chosen_frame(plan_mm, posed)
    if not isinstance(frame, MeasuringFrame):
        return replace(posed, chosen=frame)
    moved = frame.T_frame_pose @ pose
    return replace(
        measured,
        alignment=aligned_to(measured.alignment, frame),
        deviation=deviate(moved),
        remeasure=lambda T_frame_pose: deviate(T_frame_pose @ moved),
        chosen=frame,
    )


def _triangles_of(cores: tuple[Region, ...], samples: Samples, nominal: Nominal) -> Bools | None:
    """Triangles of nominal that any core left, (m,); None without cores."""
    if not cores:
        return None
    is_core = np.any([region.is_member for region in cores], axis=0)
    return region_triangles(Region("cores", "core", is_core), samples, len(nominal.triangles))


def _unplanned(cores: tuple[Region, ...], planned: tuple[Region, ...]) -> list[Region]:
    """Cores the plan has no region for: their figures are worth a row all the same."""
    return [
        core
        for core in cores
        if not any(region.source == "core" and np.array_equal(region.is_member, core.is_member) for region in planned)
    ]


def _inspected(job: InspectionJob, plan_mm: Plan, inputs: Inputs, course: Course) -> Inspected:
    """Align, map, judge."""
    return judged(job, plan_mm, inputs, measure(job, plan_mm, inputs, course), course)


def judged(job: InspectionJob, plan_mm: Plan, inputs: Inputs, measured: Measured, course: Course) -> Inspected:
    """Judge what was measured, and try what the plan asks to be tried."""
    with course.stage(Stage.JUDGE):
        characteristics = judge_plan(plan_mm, measured, seed=job.seed)
        features, frames = feature_lines(plan_mm, measured), frame_lines(plan_mm, measured)
        with course.watch.stage("what_if"):
            tried = run_what_if(plan_mm, measured, characteristics, job.seed, thread_count=job.thread_count)
    return Inspected(
        title=job.title,
        plan_mm=plan_mm,
        has_plan=bool(plan_mm.characteristics),
        measured=measured,
        characteristics=characteristics,
        provenance=_provenance(job, inputs, measured),
        run=run_record(job, course.watch.timings_s),
        shown_unit=_shown_unit(job),
        features=features,
        frames=frames,
        sections=what_if_sections(tried) if plan_mm.characteristics else (),
    )


def _shown_unit(job: InspectionJob) -> LengthUnit:
    """What the page shows first: the plan's unit, else the one the caller stated."""
    stated = job.nominal.stated_unit or job.scan.stated_unit
    return job.plan.unit if job.plan is not None else stated or LengthUnit.MILLIMETRE


def _provenance(job: InspectionJob, inputs: Inputs, measured: Measured) -> Provenance:
    samples, scan = measured.samples, facing_out(inputs.scan, measured.alignment.normal_sign)
    bodies = zip(job.bodies, inputs.bodies, strict=True)
    return Provenance(
        firstpour_version=firstpour_version(),
        files=[
            file_record(job.nominal, "nominal", inputs.nominal),
            file_record(job.scan, "scan", scan),
            *(file_record(body.file, f"{body.role} {body.name}", content) for body, content in bodies),
        ],
        tessellation=Tessellation(
            chord_tolerance_mm=inputs.nominal.chord_tolerance_mm,
            angular_tolerance_rad=inputs.nominal.angular_tolerance_rad,
            sample_count=len(samples.points_mm),
            sample_spacing_mm=samples.spacing_mm,
        ),
        plan_sha256=None if job.plan_source is None else hashlib.sha256(job.plan_source.encode()).hexdigest(),
        plan_title=None if job.plan is None else job.plan.title,
        seed=job.seed,
        settings=settings_record(
            read=SETTINGS.read,
            sample=SETTINGS.sample,
            align=SETTINGS.align,
            deviation=SETTINGS.deviation,
            thickness=SETTINGS.thickness,
        ),
        versions=library_versions(),
    )
