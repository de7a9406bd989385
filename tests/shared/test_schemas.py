"""The published schemas are those of the models."""

from __future__ import annotations

from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from shared.plan import Plan
from shared.schemas import FOLDER, MODELS, schema_text, write_schemas


@pytest.mark.parametrize("name", list(MODELS))
def test_committed_schema_is_the_models_own(name: str) -> None:
    committed = (FOLDER / name).read_text(encoding="utf-8")
    assert committed == schema_text(MODELS[name]), "run: python -m shared.schemas"


@pytest.mark.parametrize("name", list(MODELS))
def test_committed_schema_is_a_schema(name: str) -> None:
    Draft202012Validator.check_schema(MODELS[name].model_json_schema())


def test_writing_writes_every_schema(tmp_path: Path) -> None:
    assert {path.name for path in write_schemas(tmp_path)} == set(MODELS)
    assert (tmp_path / "plan-1.schema.json").read_text() == schema_text(Plan)
