"""The policy names exactly what a page runs."""

from __future__ import annotations

import base64
import hashlib

import pytest

from shared.csp import csp_for


def source(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def test_script_that_runs_is_named_by_its_hash() -> None:
    assert f"script-src {source('let a = 1 < 2;')};" in csp_for("<script>let a = 1 < 2;</script>")


def test_style_is_named_by_its_hash() -> None:
    assert f"style-src {source('p { color: red }')};" in csp_for("<style>p { color: red }</style>")


def test_data_block_is_not_named() -> None:
    assert "script-src 'none';" in csp_for('<script type="application/json">{"a": 1}</script>')


def test_page_without_scripts_may_run_none() -> None:
    assert csp_for("<p>plain</p>").startswith("default-src 'none'; script-src 'none'; style-src 'none'")


@pytest.mark.parametrize(
    "rule", ["default-src 'none'", "connect-src 'none'", "img-src data:", "base-uri 'none'", "form-action 'none'"]
)
def test_everything_else_is_forbidden(rule: str) -> None:
    assert rule in csp_for("").split("; ")


def test_same_script_twice_is_named_once() -> None:
    assert csp_for("<script>a()</script><script>a()</script>").count("sha256-") == 1


def test_module_scripts_run_and_are_named() -> None:
    assert source("go()") in csp_for('<script type="module">go()</script>')


def test_script_text_with_entities_is_hashed_as_written() -> None:
    assert source('if (a && b) say("&amp;")') in csp_for('<script>if (a && b) say("&amp;")</script>')
