"""Features and frames in words, in both units."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import get_args

import pytest

from shared.plan import AnyCharacteristic
from shared.report import Report
from tests.support.report_example import example
from worker.reporting.document import build_report
from worker.reporting.feature_rows import ROW_LIMIT, FeatureRow, feature_rows, frame_rows
from worker.reporting.page import render_page
from worker.reporting.tables import KIND_WORDS, characteristic_rows
from worker.reporting.write import report_scene


@pytest.fixture(scope="module")
def rows(report: Report) -> dict[str, FeatureRow]:
    return {row.id: row for row in feature_rows(report)}


def test_hole_is_told_as_size_departure_and_place(rows: dict[str, FeatureRow]) -> None:
    row = rows["hole-2"]
    assert [str(part) for part in (row.nominal, row.measured, row.off, row.U)] == [
        "30.000 mm (1.1811 in)",
        "30.010 mm (1.1815 in)",
        "+0.010 mm (+0.4 thou)",
        "0.018 mm (0.7 thou)",
    ]
    assert str(row.by_axes).startswith("x +0.333, y -0.322, z 0.000 mm")
    assert [str(note) for note in row.notes][:2] == ["bore 2", "through"]


@pytest.mark.parametrize(("name", "told"), [("plane-1", "deck"), ("pattern-1", "6 holes: hole-1, hole-2, hole-3")])
def test_feature_without_a_size_says_what_it_is(rows: dict[str, FeatureRow], name: str, told: str) -> None:
    assert str(rows[name].notes[0]).startswith(told)
    assert rows[name].nominal == "—"


def test_frame_tells_what_is_left_open_and_what_cannot_be_had(report: Report) -> None:
    texts = {row.name: row.text for row in frame_rows(report)}
    assert texts["A-B"].endswith("Left to that fit: turns about z.")
    assert texts["C"] == "Not established: datum C: only 35 % of hole-6 was scanned."


def test_page_of_many_features_holds_the_first_and_says_so() -> None:
    inspected = example(4)
    many = tuple(
        replace(inspected.features[1], feature=replace(inspected.features[1].feature, id=f"hole-{number}"))
        for number in range(ROW_LIMIT + 5)
    )
    inspected = replace(inspected, features=many)
    html = render_page(build_report(inspected), report_scene(inspected))
    assert f"The first {ROW_LIMIT}; all are in the data." in html
    assert f"{ROW_LIMIT + 5} features of nominal" in html


def test_every_kind_of_the_plan_has_its_words() -> None:
    lines = get_args(get_args(AnyCharacteristic)[0])
    assert set(KIND_WORDS) == {get_args(line.model_fields["kind"].annotation)[0] for line in lines}


def test_characteristic_row_tells_factor_frame_feature_and_source(report: Report) -> None:
    found = {row.id: row for row in characteristic_rows(report)}
    size = found["bore3.d"]
    assert (size.coverage, size.probability, size.limits_source) == ("k 2.26, 9 d.o.f.", "87 %", "ISO 2768-m")
    assert found["bore6.pos"].subject == ["hole-6", "in A-B"]
    assert str(found["deck"].limits) == "89.667 to 90.333°"


def test_features_and_frames_are_on_the_page_with_buttons(page_path: Path) -> None:
    html = page_path.read_text(encoding="utf-8")
    assert all(
        part in html for part in ('id="features"', "8 features of nominal", "<h3>Frames</h3>", "U by simulation")
    )
    section = html[html.index('id="features"') : html.index('id="deviation"')]
    assert section.count('class="show"') == 8
