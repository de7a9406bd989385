"""The published JSON Schema of a plan takes what the plan takes, and explains it."""

from __future__ import annotations

from typing import Any

import pytest
import yaml
from jsonschema import Draft202012Validator

from shared.plan import Plan
from shared.plan.characteristics import KINDS
from shared.plan.glossary import MEANINGS, meaning
from shared.plan_reading import parse_plan
from tests.support.plans import FULL_PLAN

SCHEMA = Plan.model_json_schema()
VALIDATOR = Draft202012Validator(SCHEMA)
MODELS = {**SCHEMA["$defs"], "Plan": SCHEMA}


def fields_of(schema: dict[str, Any]) -> dict[str, Any]:
    options = [schema, *schema.get("anyOf", [])]
    return {name: field for option in options for name, field in option.get("properties", {}).items()}


FIELDS = [(model, name) for model, schema in MODELS.items() for name in fields_of(schema)]


def example(**changes: Any) -> dict[str, Any]:
    line = {"id": "C1", "kind": "size", "feature": "hole-1", "fit": "H8"}
    return {"firstpour_plan": "1", "characteristics": [line | changes]}


def test_the_full_plan_is_one_by_the_schema_and_by_the_model() -> None:
    VALIDATOR.validate(yaml.safe_load(FULL_PLAN))
    assert {line.kind for line in parse_plan(FULL_PLAN, "full.yaml").characteristics} == set(KINDS)


def test_a_plan_written_out_again_is_one_by_the_schema() -> None:
    VALIDATOR.validate(parse_plan(FULL_PLAN, "full.yaml").model_dump(mode="json"))


@pytest.mark.parametrize("pick", ["hole-1", {"id": "hole-1"}, {"face": 3}, {"face_name": "deck"}, {"point": [0, 0, 1]}])
def test_a_feature_may_be_a_bare_id_or_an_object(pick: Any) -> None:
    assert VALIDATOR.is_valid(example(feature=pick))
    assert Plan.model_validate(example(feature=pick))


@pytest.mark.parametrize("pick", ["", 12, None, {}, {"ids": "hole-1"}, {"face": -1}, {"point": [0, 1]}, ["hole-1"]])
def test_what_is_no_feature_is_none_by_the_schema_too(pick: Any) -> None:
    assert not VALIDATOR.is_valid(example(feature=pick))


@pytest.mark.parametrize(("model", "field"), FIELDS)
def test_every_field_says_what_it_means(model: str, field: str) -> None:
    assert fields_of(MODELS[model])[field]["description"].startswith(meaning(model, field))


def test_the_glossary_has_no_word_that_no_plan_uses() -> None:
    used = {name for _, name in FIELDS} | {f"{model}.{name}" for model, name in FIELDS}
    assert set(MEANINGS) <= used


def test_every_model_says_what_it_is() -> None:
    assert [name for name, schema in MODELS.items() if not schema.get("description")] == []


def test_lengths_are_said_to_be_in_the_unit_of_the_plan() -> None:
    assert fields_of(MODELS["Flatness"])["zone"]["description"].endswith("In the plan's unit.")
    assert "unit" not in fields_of(MODELS["Temperature"])["celsius"]["description"]
