"""The report document, version 1.2: what an inspection found.

1.1 adds to 1.0 features, frames, temperature, and of each characteristic how its U was made; a document
of version 1.0 reads as one in which none of that was told.  1.2 adds to each characteristic its tables, curves,
places and files, and what-if scenarios with the list of moves.

Lengths are millimetres in the nominal frame, angles radians, whatever unit the reader prefers on
screen.  Everything but ``run`` is byte-identical for the same input, settings and versions.
The JSON Schema generated from :class:`Report` is published by the API and committed.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from shared.feature_list import FeatureRecord

REPORT_VERSION = "1.2"
ATTACHMENT_FOLDER = "files"  # beside the report

Vector = tuple[float, float, float]
Vector6 = tuple[float, float, float, float, float, float]
Row4 = tuple[float, float, float, float]
Matrix4 = tuple[Row4, Row4, Row4, Row4]
Share = Annotated[float, Field(ge=0, le=1)]
VerdictWord = Literal["conforms", "does_not_conform", "not_proven", "not_measured"]


class _Record(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class FileRecord(_Record):
    """One input file: display name, sha256 of its bytes, unit used and where that came from."""

    name: str
    role: str
    sha256: str
    size_bytes: int
    unit: str
    unit_source: Literal["file", "caller"]
    triangle_count: int
    point_count: int
    notes: list[str]


class Tessellation(_Record):
    """How the nominal's exact surfaces were turned into triangles; None where the file was a mesh."""

    chord_tolerance_mm: float | None
    angular_tolerance_rad: float | None
    sample_count: int
    sample_spacing_mm: float


class Provenance(_Record):
    """Everything needed to repeat the inspection."""

    firstpour_version: str
    files: list[FileRecord]
    tessellation: Tessellation
    plan_sha256: str | None
    plan_title: str | None
    seed: int
    settings: dict[str, dict[str, float | int | str | bool | None]]
    versions: dict[str, str]


class RivalRecord(_Record):
    """A second pose that fits almost as well, and where to scan to decide."""

    T_nominal_scan: Matrix4
    score_mm: float
    best_score_mm: float
    deciding_point_mm: Vector
    deciding_radius_mm: float


class FreedomRecord(_Record):
    """How well each freedom of the pose is held (eigenvalues ascending, relative to the largest)."""

    eigenvalues: Vector6
    weakest: str
    weakest_sigma_mm: float
    centre_mm: Vector
    sigma_rotation_rad: Vector
    sigma_translation_mm: Vector


class AlignmentRecord(_Record):
    """The pose and how sure it is; T_nominal_scan takes scan points (mm) to the nominal frame."""

    status: Literal["aligned", "ambiguous", "not_aligned"]
    reason: str | None
    T_nominal_scan: Matrix4 | None
    icp_T_nominal_scan: Matrix4 | None
    method: str
    icp_rms_mm: float | None
    robust_rms_mm: float | None
    icp_moved_mm: float | None
    sigma_mm: float | None
    kept_share_of_scan: float | None
    overlap_share_of_scan: float | None
    iterations_run: int
    candidate_count: int
    rivals: list[RivalRecord]
    freedom: FreedomRecord | None


class Coverage(_Record):
    """How much of nominal the scan reached.  set_aside counts scan points by reason."""

    measured_area_share: Share
    nominal_area_mm2: float
    measured_area_mm2: float
    scan_point_count: int
    set_aside: dict[str, int]
    is_facing_known: bool


class Percentiles(_Record):
    """Area-weighted percentiles of the deviation."""

    p01: float
    p05: float
    p25: float
    p50: float
    p75: float
    p95: float
    p99: float


class Place(_Record):
    """One of the worst places: a connected patch beyond the map tolerance."""

    point_mm: Vector
    deviation_mm: float
    U_mm: float
    area_mm2: float
    face: int
    where: str


class FaceStatistics(_Record):
    """Deviation over one face or region of nominal."""

    name: str
    source: str
    kind: str
    area_mm2: float
    measured_area_share: Share
    mean_mm: float | None
    rms_mm: float | None
    p05_mm: float | None
    p95_mm: float | None
    point_mm: Vector | None


class DeviationSummary(_Record):
    """Deviation > 0 is material outside nominal.  None where nothing was measured."""

    percentiles_mm: Percentiles | None
    mean_mm: float | None
    rms_mm: float | None
    share_beyond_tolerance: Share | None
    tolerance_mm: float
    tolerance_source: str
    noise_sigma_mm: float | None
    worst: list[Place]
    faces: list[FaceStatistics]
    regions: list[FaceStatistics]


class Spot(_Record):
    """A thin place: both ends of its thinnest line, the least wall, and how large it is."""

    point_mm: Vector
    opposite_point_mm: Vector
    least_mm: float
    nominal_mm: float
    U_mm: float | None
    area_mm2: float
    is_actual: bool
    where: str


class ThicknessSummary(_Record):
    """Walls of nominal and, where both skins were seen, of the piece."""

    nominal_percentiles_mm: Percentiles | None
    actual_percentiles_mm: Percentiles | None
    measured_area_share: Share
    spot_limit_mm: float
    spot_limit_source: str
    spots: list[Spot]


class ShrinkAllowance(_Record):
    """A published pattern allowance, for comparison."""

    alloy: str
    percent: float
    source: str


class ShrinkSummary(_Record):
    """Scale of the piece against nominal: a diagnostic, never applied to the pose.

    percent_* = (1 + allowance) / scale - 1 in percent of the piece's own length, so that a print
    made without allowance and a casting from an enlarged pattern read alike.  U is k = 2.
    """

    scale: float
    scale_xyz: tuple[float | None, float | None, float | None]
    percent: float
    U_percent: float
    percent_xyz: tuple[float | None, float | None, float | None]
    U_percent_xyz: tuple[float | None, float | None, float | None]
    allowance_percent: float
    allowance_source: str
    handbook: list[ShrinkAllowance]
    note: str


class CharacteristicLimits(_Record):
    """Least and largest permitted value; None is no limit."""

    lower: float | None
    upper: float | None


class TableColumn(_Record):
    """Head of a column.  unit: of its figures, "" for text; is_departure: in thousandths where inches are shown."""

    name: str
    unit: str = ""
    is_departure: bool = False


class Table(_Record):
    """Rows with one cell for each column; an empty cell was not measured or does not apply."""

    title: str
    columns: list[TableColumn]
    rows: list[list[float | str | None]]


class Curve(_Record):
    """y over x, and the expanded uncertainty of y where one is known."""

    name: str
    x: list[float]
    y: list[float]
    U: list[float] | None = None


class Plot(_Record):
    """Curves over one axis; limits: levels of y that are required."""

    title: str
    x_label: str
    x_unit: str
    y_label: str
    y_unit: str
    curves: list[Curve]
    limits: list[float] = []


class Mark(_Record):
    """A place in the part: one point, or a line through several."""

    label: str
    points_mm: list[Vector]


class Attachment(_Record):
    """A file beside the report; path: relative to the report's own address."""

    title: str
    path: Annotated[str, Field(pattern=rf"^{ATTACHMENT_FOLDER}/[A-Za-z0-9._-]+$")]
    media_type: str
    size_bytes: int
    sha256: str


class Exhibits(_Record):
    """What is shown beside a figure."""

    tables: list[Table] = []
    plots: list[Plot] = []
    marks: list[Mark] = []
    attachments: list[Attachment] = []


class Section(_Record):
    """Something shown beside the characteristics: a scenario tried, a move solved for, the list of moves."""

    id: str
    title: str
    exhibits: Exhibits


class CharacteristicRecord(_Record):
    """One line of the plan, measured and judged.  U is expanded, at about 95 %, in the same unit.

    k: coverage factor of U; none where U is read off simulated draws
    dof: effective degrees of freedom of U; none is infinitely many
    frame: what it was measured in; none is what the plan's alignment says
    feature: id of the feature it speaks of, as in the list of features
    probability: that the true value lies within the limits (JCGM 106)
    limits_source, limits_caution: where the limits come from, and what to know about that
    U_gum, U_monte_carlo: U both ways, where the plan asked for Monte Carlo (JCGM 101)
    exhibits: tables, curves, places and files that go with it
    """

    id: str
    kind: str
    title: str
    unit: str
    region: str | None
    nominal: float | None
    measured: float | None
    U: float | None
    limits: CharacteristicLimits
    verdict: VerdictWord
    reason: str | None
    point_mm: Vector | None
    budget: dict[str, float]
    details: dict[str, float | str | list[float] | None]
    k: float | None = None
    dof: float | None = None
    frame: str | None = None
    feature: str | None = None
    probability: Share | None = None
    limits_source: str | None = None
    limits_caution: str | None = None
    U_gum: float | None = None
    U_monte_carlo: float | None = None
    exhibits: Exhibits | None = None


class Figure(_Record):
    """A measured value and its expanded uncertainty, at about 95 %."""

    value: float
    U: float


class MeasuredFeature(FeatureRecord):
    """A feature of nominal, and the same feature of the piece in the frame of the plan's alignment.

    measured_size_mm: diameter of a hole, boss or sphere, width of a slot
    measured_angle_deg: full angle of a cone
    offsets_mm: of its axis at both ends, of its centre, of its plane along the normal
    offset_mm: the largest of them;  tilt_deg: of its direction against nominal's
    arc_share, length_share, seen_share: of the full round, of the depth, of the area, as scanned
    surface_point_mm: a place on it, for looking at it
    reason: why it was not measured
    """

    surface_point_mm: Vector | None = None
    measured_size_mm: Figure | None = None
    measured_angle_deg: Figure | None = None
    offsets_mm: list[Vector] | None = None
    offset_mm: Figure | None = None
    tilt_deg: Figure | None = None
    arc_share: float | None = None
    length_share: float | None = None
    seen_share: float | None = None
    reason: str | None = None


class FrameRecord(_Record):
    """A frame, told against the fit of the whole piece.

    is_used: the maps, the features and the characteristics without a frame of their own are measured in it
    shift_mm, rotation_rad: what brings the piece from that fit into this frame, about centre_mm
    U_shift_mm, U_rotation_rad: expanded uncertainty (k = 2) of where the frame lies
    dof: degrees of freedom behind them; none is infinitely many
    open_freedoms: what the datums leave open; there the fit of the whole piece is kept
    reason: why this piece has no such frame
    """

    name: str
    is_used: bool
    description: str | None = None
    centre_mm: Vector | None = None
    shift_mm: Vector | None = None
    rotation_rad: Vector | None = None
    U_shift_mm: Vector | None = None
    U_rotation_rad: Vector | None = None
    dof: float | None = None
    open_freedoms: list[str] = []
    reason: str | None = None


class TemperatureRecord(_Record):
    """How lengths were brought to 20 degrees Celsius (ISO 1).

    factor: lengths as scanned were multiplied by it;  U_factor: its expanded uncertainty (k = 2)
    source: who states the coefficient of expansion
    """

    celsius: float
    expansion_ppm_per_kelvin: float
    factor: float
    U_factor: float
    source: str


class Finding(_Record):
    """One sentence of the first screen: what is wrong, where, by how much, how sure."""

    severity: Literal["wrong", "doubt", "note"]
    text: str
    value_mm: float | None
    U_mm: float | None
    point_mm: Vector | None
    characteristic: str | None


class Summary(_Record):
    """The first screen."""

    outcome: Literal["conforms", "does_not_conform", "not_proven", "not_aligned", "not_judged"]
    headline: str
    findings: list[Finding]
    counts: dict[str, int]


class Run(_Record):
    """What differs from run to run; everything else in the report does not."""

    inspection_id: str | None
    created_at: str
    timings_s: dict[str, float]
    peak_memory_bytes: int
    thread_count: int
    host_platform: str


class Report(_Record):
    """The whole document."""

    report_version: Literal["1.0", "1.1", "1.2"]
    title: str
    decision_rule: str
    summary: Summary
    provenance: Provenance
    alignment: AlignmentRecord
    coverage: Coverage | None
    deviation: DeviationSummary | None
    thickness: ThicknessSummary | None
    shrink: ShrinkSummary | None
    characteristics: list[CharacteristicRecord]
    cautions: list[str]
    run: Run
    features: list[MeasuredFeature] = []
    frames: list[FrameRecord] = []
    temperature: TemperatureRecord | None = None
    sections: list[Section] = []


def attachments_of(report: Report) -> list[Attachment]:
    """Every file that goes with a report."""
    shown = [line.exhibits for line in report.characteristics] + [section.exhibits for section in report.sections]
    return [file for exhibits in shown if exhibits is not None for file in exhibits.attachments]
