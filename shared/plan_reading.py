"""From the text of a plan, YAML or JSON, to a :class:`~shared.plan.Plan`, or to a list of precise faults."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import yaml
from pydantic import ValidationError

from shared.errors import PlanInvalid
from shared.plan import Plan

TEXT_LIMIT_BYTES = 1024 * 1024  # a plan of a few hundred lines is 100 kB
FAULTS_SHOWN = 20  # more at once helps nobody
ADVICE = "Correct the plan at the places named and send it again; its schema is at /v1/schemas/plan."
Path = Sequence[int | str]


def parse_plan(source: str | bytes | Mapping[str, Any], source_name: str) -> Plan:
    """Read a plan.

    source : YAML or JSON text, or an object already read
    source_name : what the messages call it, a file name for instance

    Raises
    ------
    PlanInvalid
        ``data["faults"]`` has one line a fault, with the line of the text where there is one, and the path.

    """
    document, root = (source, None) if isinstance(source, Mapping) else _read(source, source_name)
    try:
        return Plan.model_validate(document)
    except ValidationError as error:
        faults = [_fault(one["loc"], _explained(dict(one)), root) for one in error.errors(include_url=False)]
        raise _invalid(source_name, faults) from error


def plan_text(source: str | bytes | Mapping[str, Any]) -> str:
    """Text of a plan as it was given, or its one canonical JSON text if it was given as an object."""
    if isinstance(source, Mapping):
        return json.dumps(source, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return source if isinstance(source, str) else source.decode("utf-8-sig")


def _read(source: str | bytes, name: str) -> tuple[Any, yaml.Node | None]:
    text = _decoded(source, name)
    try:
        root = yaml.compose(text, Loader=yaml.SafeLoader)
        faults = list(_node_faults(root)) if root is not None else ["the plan is empty"]
        document = None if faults else yaml.safe_load(text)
    except yaml.YAMLError as error:
        return _read_json(text, name, error)
    except (RecursionError, ValueError) as error:
        raise _invalid(
            name, ["this is not YAML or JSON that can be read: nested too deep, or an impossible value"]
        ) from error
    if faults:
        raise _invalid(name, faults)
    return document, root


def _read_json(text: str, name: str, yaml_error: yaml.YAMLError) -> tuple[Any, None]:
    """JSON indented by tabs is no YAML."""
    if not text.lstrip().startswith("{"):
        raise _invalid(name, [_yaml_fault(yaml_error)]) from yaml_error
    try:
        return json.loads(text, object_pairs_hook=_without_doubles), None
    except json.JSONDecodeError as error:
        raise _invalid(name, [f"line {error.lineno}: {error.msg}"]) from error
    except (RecursionError, ValueError) as error:
        raise _invalid(name, [str(error)]) from error


def _decoded(source: str | bytes, name: str) -> str:
    if len(source) > TEXT_LIMIT_BYTES:
        raise _invalid(name, [f"the plan is longer than {TEXT_LIMIT_BYTES // 1024} KiB"])
    try:
        return plan_text(source)
    except UnicodeDecodeError as error:
        raise _invalid(name, [f"byte {error.start} is not UTF-8 text; is this file really a plan?"]) from error


def _without_doubles(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        keys = [key for key, _ in pairs]
        doubled = sorted({key for key in keys if keys.count(key) > 1})
        raise ValueError(f"key given twice: {', '.join(doubled)}")
    return found


def _node_faults(root: yaml.Node) -> Iterator[str]:
    """Keys given twice, of which YAML keeps the last without a word; and aliases, which can grow without end."""
    seen: set[int] = set()
    waiting = [root]
    while waiting:
        node = waiting.pop()
        if id(node) in seen:
            yield f"{_line(node)}: aliases (&name, *name) are not read; write the value out"
            return
        seen.add(id(node))
        if isinstance(node, yaml.MappingNode):
            yield from _doubled_keys(node)
            waiting.extend(child for pair in reversed(node.value) for child in reversed(pair))
        elif isinstance(node, yaml.SequenceNode):
            waiting.extend(reversed(node.value))


def _doubled_keys(node: yaml.MappingNode) -> Iterator[str]:
    keys: set[str] = set()
    for key, _ in node.value:
        if isinstance(key, yaml.ScalarNode):
            if key.value in keys:
                yield f"{_line(key)}: '{key.value}' is given twice"
            keys.add(key.value)


def _fault(path: Path, message: str, root: yaml.Node | None) -> str:
    node, shown = root, ""
    for step in path:
        child = _child(node, step)
        if root is not None and child is None and isinstance(node, yaml.MappingNode) and _is_kind_of(node, step):
            continue  # pydantic names the kind of a characteristic in the path; the text has no such level
        shown += f"[{step}]" if isinstance(step, int) else f".{step}" if shown else str(step)
        node = child if child is not None else node
    where = f"{shown or 'plan'}: {message}"
    return where if node is None else f"{_line(node)}, {where}"


def _child(node: yaml.Node | None, step: int | str) -> yaml.Node | None:
    if isinstance(node, yaml.SequenceNode) and isinstance(step, int) and step < len(node.value):
        child: yaml.Node = node.value[step]
        return child
    if isinstance(node, yaml.MappingNode):
        return next((value for key, value in node.value if key.value == step), None)
    return None


def _is_kind_of(node: yaml.MappingNode, step: int | str) -> bool:
    kind = _child(node, "kind")
    return kind is not None and kind.value == step


def _explained(error: dict[str, Any]) -> str:
    message = str(error["msg"]).removeprefix("Value error, ")
    given = error.get("input")
    if error["type"] == "missing" or isinstance(given, Mapping | list | tuple) or given is None:
        return message
    if error["type"] == "string_type":
        return f"{message} (given: {given}; put it in quotes)"
    if isinstance(given, float) and not math.isfinite(given):
        return f"{message} (given: {given})"
    return f"{message} (given: {str(given)[:60]!r})"


def _yaml_fault(error: yaml.YAMLError) -> str:
    if isinstance(error, yaml.MarkedYAMLError) and error.problem_mark is not None:
        context = f" {error.context}" if error.context else ""
        return f"line {error.problem_mark.line + 1}: {error.problem}{context}"
    return "this is not text that YAML or JSON allows"


def _line(node: yaml.Node) -> str:
    return f"line {node.start_mark.line + 1}"


def _invalid(name: str, faults: list[str]) -> PlanInvalid:
    shown = faults[:FAULTS_SHOWN]
    more = len(faults) - len(shown)
    end = f" (and {more} more)" if more else ""
    return PlanInvalid(
        f"The plan {name} cannot be used: {'; '.join(shown)}{end}.",
        advice=ADVICE,
        file=name,
        faults=shown,
        fault_count=len(faults),
    )
