"""Tables, curves, marks and files of a characteristic, from the record to the page."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest

from shared.report import Plot as PlotRecord
from shared.report import Report, attachments_of
from tests.support.report_example import WALL_EXHIBITS, example
from worker.exhibits import NOTHING, Attachment, Column, Exhibits, Table
from worker.reporting.exhibits import attachment_path, exhibits_record, shown_exhibits
from worker.reporting.payload import view_payload
from worker.reporting.plots import curve_plot
from worker.reporting.scene import Scene
from worker.reporting.write import write_inspection


def test_nothing_shown_leaves_no_record() -> None:
    assert exhibits_record("line", NOTHING) is None


def test_a_point_that_is_no_number_is_left_out_of_its_curve() -> None:
    record = exhibits_record("wall2", WALL_EXHIBITS)
    assert record is not None
    assert record.plots[0].curves[1].x == [0.0, 10.0]
    assert record.plots[0].curves[1].U == [0.04, 0.04]


def test_cell_that_is_no_number_is_empty() -> None:
    record = exhibits_record("line", Exhibits(tables=(Table("t", (Column("a", "mm"),), ((np.inf,), (1.0,))),)))
    assert record is not None
    assert record.tables[0].rows == [[None], [1.0]]


@pytest.mark.parametrize("rows", [((1.0,),), ((1.0, 2.0, 3.0),)])
def test_row_that_does_not_fill_its_columns_is_refused(rows: tuple[tuple[float, ...], ...]) -> None:
    with pytest.raises(ValueError, match="one cell for each column"):
        Table("t", (Column("a", "mm"), Column("b", "mm")), rows)


def test_unknown_unit_is_refused() -> None:
    with pytest.raises(ValueError, match="unknown unit"):
        Table("t", (Column("a", "furlong"),), ())


def test_figures_are_worded_in_both_units(report: Report) -> None:
    (entry,) = shown_exhibits(report)
    first, second = entry.tables[0].rows
    assert [str(cell) for cell in first] == [
        "beside bore 2",
        "4.551 mm (0.1792 in)",
        "0.449 mm (17.7 thou)",
        "12.5 mm² (0.0194 in²)",
    ]
    assert second[2] == "—"


@pytest.mark.parametrize("name", ["../../etc/passwd", "a b/c.csv", "täble.csv"])
def test_file_names_stay_in_their_folder(name: str) -> None:
    path = attachment_path("wall/..", Attachment(name, "t", "text/csv", b""))
    assert path.startswith("files/")
    assert path.count("/") == 1


def test_files_lie_beside_the_report_as_it_says(tmp_path: Path) -> None:
    report = write_inspection(example(4), tmp_path)
    exhibits = next(line.exhibits for line in report.characteristics if line.id == "wall2")
    assert exhibits is not None
    (file,) = exhibits.attachments
    content = (tmp_path / file.path).read_bytes()
    assert hashlib.sha256(content).hexdigest() == file.sha256
    assert f'href="{file.path}"' in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_the_list_of_moves_is_in_document_page_and_file(tmp_path: Path) -> None:
    report = write_inspection(example(4), tmp_path)
    (section,) = report.sections
    assert (section.title, section.exhibits.tables[0].rows[0][1]) == ("List of moves", "foundry")
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert page.index("Moves, and what they would do") < page.index("Tables, curves and files")
    assert {file.path for file in attachments_of(report)} == {"files/section-1-moves.csv", "files/wall2-web-map.csv"}
    assert (tmp_path / "files" / "section-1-moves.csv").read_bytes().startswith(b"number,who,what")


def test_marks_go_with_what_is_picked_out(scene: Scene) -> None:
    entry = next(one for one in view_payload(scene)["highlights"] if one["name"] == "wall2")
    assert entry["marks"] == [[70.6, 9.4, 17.0, 75.1, 9.4, 17.0]]


def test_a_plot_is_the_same_bytes_each_time() -> None:
    record = exhibits_record("wall2", WALL_EXHIBITS)
    assert record is not None
    plot = PlotRecord.model_validate(record.plots[0].model_dump())
    assert curve_plot(plot) == curve_plot(record.plots[0])
    assert "<svg" in curve_plot(plot)
