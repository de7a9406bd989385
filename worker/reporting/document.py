"""The document: :class:`shared.report.Report` from the records of one inspection."""

from __future__ import annotations

import json
from typing import Any

import numpy as np

from shared.report import (
    REPORT_VERSION,
    AlignmentRecord,
    CharacteristicLimits,
    CharacteristicRecord,
    DeviationSummary,
    FreedomRecord,
    Matrix4,
    Report,
    RivalRecord,
    ShrinkSummary,
    Vector6,
)
from worker.judging.temperature import thermal_correction
from worker.judging.verdicts import DECISION_RULE
from worker.records import Alignment, Characteristic, Freedom, RivalPose, Verdict
from worker.reporting.exhibits import exhibits_record, section_records
from worker.reporting.findings import Findable, summarise
from worker.reporting.inspected import Inspected
from worker.reporting.metrology import feature_of, finite, frame_of, temperature_of, vector_of
from worker.reporting.shrinkage import shrink_summary
from worker.reporting.summaries import Summaries
from worker.rigid import RigidTransform

DECIMALS = 6  # of a millimetre: below any measurement here, above the noise of summation order
FINE_DECIMALS = 10  # a rotation off by 1e-10 moves a point 1 m away by 1e-7 mm
FINE_KEYS = frozenset(
    {
        "T_nominal_scan",
        "icp_T_nominal_scan",
        "eigenvalues",
        "sigma_rotation_rad",
        "rotation_rad",
        "U_rotation_rad",
        "factor",
        "U_factor",
    }
)
METHOD = (
    "pose search, point-to-plane ICP, then robust point-to-surface least squares (Tukey weights); "
    "rigid, no scale, no mirror"
)
CAUTION = "caution"  # the detail in which judging tells about the table of limits
WITHOUT_CORES = "; the surfaces of the cores had no part in it, because a core may sit apart from the mould"
AT_SCAN = "The figures hold at the temperature of the scan and stand or fall with the scanner's own calibration."
AT_20 = (
    "Lengths were brought from the temperature stated in the plan to 20 degrees Celsius (ISO 1); the figures stand or "
    "fall with that temperature and with the scanner's own calibration."
)
CAUTIONS = (
    (
        "This compares surfaces that were scanned with the CAD. It sees no porosity, cracks, cold shuts or inclusions, "
        "and nothing behind walls that were not scanned."
    ),
    (
        "It is no pressure test and no substitute for one: coolant and oil passages run under pressure, so "
        "pressure-test every casting before it is machined and again before it is run."
    ),
    (
        "Wall figures hold along the lines measured and only where both skins were scanned; cut up the first casting, "
        "or check it with ultrasound, where a thin wall would matter."
    ),
    (
        "Pressure parts, fuel systems and emissions are governed by local codes; where they apply, they and the "
        "judgement of a licensed engineer go before this report."
    ),
)


def build_report(inspected: Inspected, summaries: Summaries | None = None) -> Report:
    """Assemble the document.  Lengths are rounded to 1e-6 mm, so that summation order cannot show.

    summaries : of the same inspection, where the scene needs them too; made here if not given
    """
    summed = summaries or Summaries(inspected)
    alignment = _alignment_record(inspected.measured.alignment)
    parts = Findable(
        alignment=alignment,
        coverage=summed.coverage,
        deviation=summed.deviation,
        thickness=summed.thickness,
        shrink=_shrink(inspected),
        characteristics=[_characteristic_record(line) for line in inspected.characteristics],
        told_places=_told_places(inspected, summed.deviation),
        has_scanner=inspected.plan_mm.scanner is not None,
        features=[feature_of(line, inspected.measured.nominal) for line in inspected.features],
    )
    report = Report(
        report_version=REPORT_VERSION,
        title=inspected.title,
        decision_rule=DECISION_RULE,
        summary=summarise(parts),
        provenance=inspected.provenance,
        alignment=alignment,
        coverage=parts.coverage,
        deviation=parts.deviation,
        thickness=parts.thickness,
        shrink=parts.shrink,
        characteristics=parts.characteristics,
        cautions=_cautions(inspected, parts.characteristics),
        run=inspected.run,
        features=list(parts.features),
        frames=[frame_of(line) for line in inspected.frames],
        temperature=temperature_of(thermal_correction(inspected.plan_mm)),
        sections=section_records(inspected.sections),
    )
    return Report.model_validate(rounded(report.model_dump()))


def _cautions(inspected: Inspected, lines: list[CharacteristicRecord]) -> list[str]:
    """What to know about the figures, last about the tables that limits were taken from."""
    of_limits = dict.fromkeys(line.limits_caution for line in lines if line.limits_caution is not None)
    return [*CAUTIONS, AT_SCAN if inspected.plan_mm.temperature is None else AT_20, *of_limits]


def _shrink(inspected: Inspected) -> ShrinkSummary | None:
    measured = inspected.measured
    if measured.alignment.shrink is None or measured.deviation is None:
        return None
    return shrink_summary(measured.alignment.shrink, inspected.plan_mm.piece)


def _told_places(inspected: Inspected, deviation: DeviationSummary | None) -> frozenset[int]:
    """Worst places inside the samples of a characteristic that does not plainly conform."""
    masks = [line.sample_mask for line in inspected.characteristics if line.verdict != Verdict.CONFORMS]
    known = [mask for mask in masks if mask is not None]
    if not known or deviation is None:
        return frozenset()
    is_told, points = np.logical_or.reduce(known), inspected.measured.samples.points_mm
    nearest = [int(((points - np.array(place.point_mm)) ** 2).sum(axis=1).argmin()) for place in deviation.worst]
    return frozenset(number for number, sample in enumerate(nearest) if is_told[sample])


def report_text(report: Report) -> str:
    """The document as JSON: keys sorted, so the same report is the same bytes."""
    return (
        json.dumps(report.model_dump(mode="json"), allow_nan=False, ensure_ascii=False, indent=1, sort_keys=True) + "\n"
    )


def rounded(value: Any, decimals: int = DECIMALS) -> Any:
    """Every float in nested dicts, lists and tuples to so many decimals, never -0.0.

    Figures that are no lengths and small by nature (rotations, eigenvalues) keep FINE_DECIMALS.
    """
    if isinstance(value, float):
        return round(value, decimals) + 0.0
    if isinstance(value, dict):
        return {key: rounded(entry, FINE_DECIMALS if key in FINE_KEYS else decimals) for key, entry in value.items()}
    if isinstance(value, list | tuple):
        return [rounded(entry, decimals) for entry in value]
    return value


def _matrix(pose: RigidTransform | None) -> Matrix4 | None:
    if pose is None:
        return None
    rows = [(float(a), float(b), float(c), float(d)) for a, b, c, d in pose.matrix()]
    return rows[0], rows[1], rows[2], rows[3]


def _alignment_record(found: Alignment) -> AlignmentRecord:
    return AlignmentRecord(
        status=found.status.value,
        reason=found.reason,
        T_nominal_scan=_matrix(found.T_nominal_scan),
        icp_T_nominal_scan=_matrix(found.icp_T_nominal_scan),
        method=METHOD if found.rests_on_all else METHOD + WITHOUT_CORES,
        icp_rms_mm=finite(found.icp_rms_mm),
        robust_rms_mm=finite(found.robust_rms_mm),
        icp_moved_mm=finite(found.icp_moved_mm),
        sigma_mm=finite(found.sigma_mm),
        kept_share_of_scan=finite(found.kept_share_of_scan),
        overlap_share_of_scan=finite(found.orientation.overlap_share),
        iterations_run=found.iterations_run,
        candidate_count=found.orientation.candidate_count,
        rivals=[_rival_record(rival) for rival in found.orientation.rivals],
        freedom=None if found.freedom is None else _freedom_record(found.freedom),
    )


def _rival_record(rival: RivalPose) -> RivalRecord:
    pose = _matrix(rival.T_nominal_scan)
    assert pose is not None  # noqa: S101 a rival is a pose
    return RivalRecord(
        T_nominal_scan=pose,
        score_mm=rival.score_mm,
        best_score_mm=rival.best_score_mm,
        deciding_point_mm=vector_of(rival.deciding_point_mm),
        deciding_radius_mm=rival.deciding_radius_mm,
    )


def _freedom_record(freedom: Freedom) -> FreedomRecord:
    sigma = np.sqrt(np.maximum(freedom.covariance.diagonal(), 0.0))
    a, b, c, d, e, f = (float(value) for value in freedom.eigenvalues)
    eigenvalues: Vector6 = (a, b, c, d, e, f)
    return FreedomRecord(
        eigenvalues=eigenvalues,
        weakest=freedom.weakest_text,
        weakest_sigma_mm=freedom.weakest_sigma_mm,
        centre_mm=vector_of(freedom.centre_mm),
        sigma_rotation_rad=vector_of(sigma[:3]),
        sigma_translation_mm=vector_of(sigma[3:]),
    )


def _characteristic_record(line: Characteristic) -> CharacteristicRecord:
    details = {name: list(value) if isinstance(value, tuple) else value for name, value in line.details.items()}
    caution = details.pop(CAUTION, None)
    return CharacteristicRecord(
        id=line.id,
        kind=line.kind,
        title=line.title,
        unit=line.unit,
        region=line.region,
        nominal=line.nominal,
        measured=line.measured,
        U=line.U,
        limits=CharacteristicLimits(lower=line.limits.lower, upper=line.limits.upper),
        verdict=line.verdict.value,
        reason=line.reason,
        point_mm=None if line.point_mm is None else vector_of(line.point_mm),
        budget=dict(line.budget),
        details=details,
        k=line.k,
        dof=finite(line.dof),
        frame=line.frame,
        feature=line.feature,
        probability=line.probability,
        limits_source=line.limits_source,
        limits_caution=caution if isinstance(caution, str) else None,
        U_gum=line.U_gum,
        U_monte_carlo=line.U_monte_carlo,
        exhibits=exhibits_record(line.id, line.exhibits),
    )
