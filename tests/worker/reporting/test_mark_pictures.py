"""A picture for each move, its arrow where it is in the part."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from shared.report import Report
from tests.support.report_example import example
from worker.reporting.mark_pictures import camera_for, section_pictures
from worker.reporting.scene import Scene
from worker.reporting.write import write_inspection


def test_each_mark_of_a_section_has_its_picture_and_its_place_in_the_view(report: Report, scene: Scene) -> None:
    (section,) = report.sections
    (picture,) = section_pictures(report, scene)[section.id]
    assert picture.label == section.exhibits.marks[0].label
    assert picture.place.point == section.exhibits.marks[0].points_mm[0]
    assert picture.place.highlight is not None
    assert scene.highlights[picture.place.highlight].name == section.id


def test_the_arrow_lies_in_the_picture(report: Report, scene: Scene) -> None:
    (picture,) = section_pictures(report, scene)[report.sections[0].id]
    ends = np.array([[float(part) for part in pair.split(",")] for pair in picture.line.split()])
    assert (ends >= 0).all()
    assert (ends <= [picture.width, picture.height]).all()


def test_the_part_is_cut_open_across_an_axis_square_to_the_arrow(scene: Scene) -> None:
    along_y = np.array([[10.0, 5.0, 5.0], [10.0, 15.0, 5.0]])
    camera = camera_for(along_y, scene)
    assert camera.cut_normal is not None
    assert camera.cut_normal[1] == 0.0
    assert abs(camera.toward_eye[1]) < 0.5


def test_the_page_shows_picture_arrow_and_button_in_the_list_of_moves(tmp_path: Path) -> None:
    write_inspection(example(4), tmp_path)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    own = page[page.index('id="moves"') : page.index('id="exhibits"')]
    assert own.count("<polyline") == 2  # the arrow and the white rim under it
    assert "x -0.320, y +0.000, z +0.000 mm" in own
    assert "x -12.6, y +0.0, z +0.0 thou" in own
    assert 'data-show="70.6,9.4,17.0"' in own
