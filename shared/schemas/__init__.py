"""The published JSON Schemas, generated from the pydantic models and committed beside this file.

``python -m shared.schemas`` writes them anew; a test fails when they change unannounced.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

from pydantic import BaseModel

from shared.feature_list import FEATURES_VERSION, FeatureList
from shared.plan import PLAN_VERSION, Plan
from shared.report import REPORT_VERSION, Report

DIALECT = "https://json-schema.org/draft/2020-12/schema"
FOLDER = Path(__file__).resolve().parent
MODELS: Mapping[str, type[BaseModel]] = MappingProxyType(
    {
        f"report-{REPORT_VERSION}.schema.json": Report,
        f"plan-{PLAN_VERSION}.schema.json": Plan,
        f"features-{FEATURES_VERSION}.schema.json": FeatureList,
    }
)


def schema_text(model: type[BaseModel]) -> str:
    """JSON Schema (draft 2020-12) of what ``model`` reads and writes, keys sorted."""
    schema = {"$schema": DIALECT, **model.model_json_schema()}
    return json.dumps(schema, indent=1, sort_keys=True, ensure_ascii=False) + "\n"


def write_schemas(folder: Path = FOLDER) -> list[Path]:
    """Write every schema into ``folder``; return the paths written."""
    paths = [folder / name for name in MODELS]
    for path, model in zip(paths, MODELS.values(), strict=True):
        path.write_text(schema_text(model), encoding="utf-8")
    return paths
