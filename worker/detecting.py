"""The features of a revision's nominal, detected once and kept as a list that plans can point at."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from shared.feature_list import FeatureList
from shared.states import Stage
from worker.features.detect import detect_features
from worker.features.listing import list_features
from worker.job_records import FEATURES_JSON, DetectionJob, Progress
from worker.reading import Source, read_nominal


@dataclass(frozen=True)
class DetectionResult:
    """A finished detection; ``listed`` is what was written to the folder."""

    listed: FeatureList

    @property
    def outcome(self) -> str:
        """Always the same: whatever was found, it is listed."""
        return "listed"

    @property
    def headline(self) -> str:
        """How many of each kind."""
        counts = Counter(feature.kind for feature in self.listed.features)
        kinds = ", ".join(f"{count} {kind}" for kind, count in sorted(counts.items()))
        return f"Features: {kinds or 'none'}."


def detect(job: DetectionJob, *, out_dir: Path, progress: Progress) -> DetectionResult:
    """Read the nominal, find its features and write ``features.json`` into ``out_dir``.

    Raises
    ------
    FirstpourError
        For everything expected: an unreadable file, a missing unit.

    """
    progress(Stage.READ, 0.0)
    file = job.nominal
    nominal = read_nominal(Source(file.path, file.display_name, file.stated_unit))
    progress(Stage.JUDGE, 0.0)
    unit = None if file.stated_unit is None else file.stated_unit.value
    listed = list_features(detect_features(nominal), nominal, file=file.display_name, stated_unit=unit)
    (out_dir / FEATURES_JSON).write_text(listed.model_dump_json(), encoding="utf-8")
    return DetectionResult(listed)
