"""From the text of a plan, YAML or JSON, to a :class:`~shared.plan.Plan`, or to a list of precise faults."""

from __future__ import annotations

import difflib
import json
import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import yaml
from pydantic import ValidationError

from shared.errors import PlanInvalid
from shared.plan import Plan
from shared.plan.characteristics import FIT_PATTERN, GENERAL_ANGLE_PATTERN, KINDS
from shared.plan.frames import LETTER_PATTERN
from shared.plan.lines import GENERAL_PATTERN
from shared.plan.plan import NAMES_DISAGREE
from shared.tolerances.resolve import limit_faults

TEXT_LIMIT_BYTES = 1024 * 1024  # a plan of a few hundred lines is 100 kB
FAULTS_SHOWN = 20  # more at once helps nobody
ADVICE = "Correct the plan at the places named and send it again; its schema is at /v1/schemas/plan."
GENERAL_WORDS = "write a class such as 'ISO 2768-m', 'ISO 8062-3 DCTG 10' or 'ISO 286 IT14'"
PATTERN_WORDS = {
    GENERAL_PATTERN: GENERAL_WORDS,
    GENERAL_ANGLE_PATTERN: "write 'ISO 2768-f', -m, -c or -v; the other tables have no angles",
    FIT_PATTERN: "write a tolerance class such as H8 or g6",
    LETTER_PATTERN: "a datum is one or two capitals",
}
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
        plan = Plan.model_validate(document)
    except ValidationError as error:
        found = [_fault(path, text, root) for one in error.errors(include_url=False) for path, text in _told(dict(one))]
        raise _invalid(source_name, found) from error
    faults = [_fault(path, message, root) for path, message in limit_faults(plan)]
    if faults:
        raise _invalid(source_name, faults)
    return plan


def fault_in(source: str | bytes | Mapping[str, Any], path: Path, message: str) -> str:
    """A fault of a plan that was read, with the line of its text where there is one, and the path.

    source : as given to :func:`parse_plan`
    """
    root = None if isinstance(source, Mapping) else _nodes(source)
    return _fault(path, message, root)


def plan_fault(source_name: str, faults: list[str]) -> PlanInvalid:
    """The error that lists faults found in a plan after it was read."""
    return _invalid(source_name, faults)


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


def _nodes(source: str | bytes) -> yaml.Node | None:
    try:
        node: yaml.Node | None = yaml.compose(plan_text(source), Loader=yaml.SafeLoader)
    except yaml.YAMLError:
        return None  # JSON indented by tabs
    return node


def _fault(path: Path, message: str, root: yaml.Node | None) -> str:
    node, shown = root, ""
    for step in path:
        child = _child(node, step)
        if root is not None and child is None and isinstance(node, yaml.MappingNode) and _is_kind_of(node, step):
            continue  # pydantic names the kind of a characteristic in the path; the text has no such level
        if root is not None and child is None and isinstance(node, yaml.ScalarNode):
            continue  # a bare text in place of an object
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


def _told(error: dict[str, Any]) -> list[tuple[Path, str]]:
    """(path, message) of one error of pydantic, which may stand for several faults of ours."""
    if error["type"] == NAMES_DISAGREE:
        return list(error["ctx"]["faults"])
    if error["type"] == "union_tag_not_found":
        return [((*error["loc"], "kind"), f"Field required; one of {_kinds()}")]
    if error["type"] == "union_tag_invalid":
        return [((*error["loc"], "kind"), _unknown_kind(str(error["ctx"]["tag"])))]
    return [(error["loc"], _explained(error))]


def _kinds() -> str:
    return ", ".join(KINDS)


def _unknown_kind(given: str) -> str:
    near = difflib.get_close_matches(given, KINDS, n=1)
    hint = f"did you mean '{near[0]}'? " if near else ""
    return f"'{given}' is no kind of characteristic; {hint}Kinds are {_kinds()}"


def _explained(error: dict[str, Any]) -> str:
    message = str(error["msg"]).removeprefix("Value error, ")
    if error["type"] == "string_pattern_mismatch":
        message = PATTERN_WORDS.get(error["ctx"]["pattern"], message)
    given = error.get("input")
    if error["type"] == "missing" or isinstance(given, Mapping | list | tuple) or given is None:
        return message
    if error["type"] == "string_type":
        return f"{message} (given: {given}; put it in quotes)"
    if error["type"] in {"float_parsing", "int_parsing"} and "," in str(given):
        return f"this is no number; write a decimal point, not a comma (given: {str(given)[:60]!r})"
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
    shown = [fault.rstrip(".") for fault in faults[:FAULTS_SHOWN]]
    more = len(faults) - len(shown)
    end = f" (and {more} more)" if more else ""
    return PlanInvalid(
        f"The plan {name} cannot be used: {'; '.join(shown)}{end}.",
        advice=ADVICE,
        file=name,
        faults=shown,
        fault_count=len(faults),
    )
