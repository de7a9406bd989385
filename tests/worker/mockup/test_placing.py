from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from tests.support.mock_ups import box
from worker.mockup.placing import HolesStep, MateStep, NotPlaced, PieceElement, Solved, place, sensitivities
from worker.records import Floats
from worker.rigid import RigidTransform

EXACT_MM = 1e-6
X, Y, Z = np.eye(3)
PART = box((40.0, 30.0, 10.0)).vertices_mm
CENTRES = np.array([[5.0, 5.0, 0.0], [35.0, 5.0, 0.0], [35.0, 25.0, 0.0], [5.0, 25.0, 0.0]])
TRUTH = RigidTransform.from_rotation_vector(np.array([0.1, -0.4, 1.9]), np.array([31.0, -12.0, 77.0]))
SEAT = MateStep(np.zeros(3), -Z, 0)


def plane(truth: RigidTransform = TRUTH, *, gap_mm: float = 0.0) -> PieceElement:
    """Where the part's underside lies, facing it."""
    return PieceElement(truth.apply(np.array([9.0, 4.0, -gap_mm])), truth.turn(Z), is_plane=True)


def axis(centre: Floats, truth: RigidTransform = TRUTH, *, along_mm: float = -8.0) -> PieceElement:
    return PieceElement(truth.apply(centre + along_mm * Z), truth.turn(Z), is_plane=False)


def solved(steps: list[MateStep | HolesStep], elements: list[PieceElement]) -> Solved:
    found = place(steps, elements, PART)
    assert isinstance(found, Solved)
    return found


def error_mm(found: Solved, truth: RigidTransform = TRUTH) -> float:
    return float(np.abs(found.T_piece_part.apply(PART) - truth.apply(PART)).max())


@pytest.mark.parametrize("seed", range(8))
def test_plane_axis_axis_puts_the_part_where_it_was_taken_from(seed: int) -> None:
    truth = RigidTransform(Rotation.random(random_state=seed).as_matrix(), np.array([31.0, -12.0, 77.0]))
    steps = [SEAT, MateStep(CENTRES[0], Z, 1), MateStep(CENTRES[2], Z, 2)]
    found = solved([*steps], [plane(truth), axis(CENTRES[0], truth), axis(CENTRES[2], truth)])
    assert error_mm(found, truth) < EXACT_MM
    assert max(float(off.max()) for off in found.off_mm) < EXACT_MM


def test_three_planes_and_a_gap_put_the_part_in_a_corner() -> None:
    steps = [MateStep(np.zeros(3), -Z, 0, 0.8), MateStep(np.zeros(3), -X, 1), MateStep(np.zeros(3), -Y, 2)]
    sides = [PieceElement(TRUTH.apply(np.zeros(3)), TRUTH.turn(way), is_plane=True) for way in (X, Y)]
    found = solved([*steps], [plane(gap_mm=0.8), *sides])
    assert error_mm(found) < EXACT_MM


def test_the_first_mate_keeps_its_place_and_later_ones_take_what_is_left() -> None:
    """The second axis stands 0.2 mm too far along the line of both: the first keeps its place, 0.2 mm is told."""
    off = CENTRES[1] + 0.2 * X
    found = solved(
        [SEAT, MateStep(CENTRES[0], Z, 1), MateStep(CENTRES[1], Z, 2)], [plane(), axis(CENTRES[0]), axis(off)]
    )
    assert error_mm(found) < EXACT_MM
    assert found.off_mm[2] == pytest.approx([0.2], abs=EXACT_MM)


def test_holes_are_met_by_least_squares() -> None:
    """Centres off by errors that no motion can take up leave the part in place, and themselves as residuals."""
    errors = 0.3 * np.array([X + Y, -X + Y, -X - Y, X - Y])
    axes = [axis(centre + error) for centre, error in zip(CENTRES, errors, strict=True)]
    found = solved([SEAT, HolesStep(CENTRES, np.arange(1, 5))], [plane(), *axes])
    middle = TRUTH.apply(CENTRES.mean(axis=0))
    assert found.T_piece_part.apply(CENTRES.mean(axis=0)) == pytest.approx(middle, abs=EXACT_MM)
    assert found.off_mm[1] == pytest.approx(np.full(4, 0.3 * np.sqrt(2)), abs=EXACT_MM)


@pytest.mark.parametrize("shift", [(0.25, 0.0, 0.0), (0.1, -0.4, 0.0)])
def test_a_planted_shift_of_all_holes_is_that_of_the_part(shift: tuple[float, float, float]) -> None:
    axes = [axis(centre + np.array(shift)) for centre in CENTRES]
    found = solved([SEAT, HolesStep(CENTRES, np.arange(1, 5))], [plane(), *axes])
    moved = TRUTH.inverse().apply(found.T_piece_part.apply(CENTRES)) - CENTRES
    assert moved == pytest.approx(np.broadcast_to(shift, (4, 3)), abs=EXACT_MM)


OPEN: list[tuple[list[MateStep | HolesStep], list[PieceElement], set[str]]] = [
    ([SEAT], [plane(RigidTransform.identity())], {"slides along x", "slides along y", "turns about z"}),
    (
        [SEAT, MateStep(CENTRES[0], Z, 1)],
        [plane(RigidTransform.identity()), axis(CENTRES[0], RigidTransform.identity())],
        {"turns about z"},
    ),
    (
        [HolesStep(CENTRES, np.arange(4))],
        [axis(centre, RigidTransform.identity()) for centre in CENTRES],
        {"slides along z", "turns about x", "turns about y"},  # level centres do not notice a small lean
    ),
]


@pytest.mark.parametrize(("steps", "elements", "words"), OPEN, ids=["a plane", "plane and axis", "parallel holes"])
def test_what_is_left_open_is_named(
    steps: list[MateStep | HolesStep], elements: list[PieceElement], words: set[str]
) -> None:
    found = place(steps, elements, PART)
    assert isinstance(found, NotPlaced)
    assert set(found.open_words) == words


def test_sensitivities_say_how_the_part_follows_its_elements() -> None:
    """The seat lifted by 0.01 mm lifts the part by that; the first axis moved carries it, turning about the second."""
    here = RigidTransform.identity()
    steps = [SEAT, MateStep(CENTRES[0], Z, 1), MateStep(CENTRES[1], Z, 2)]
    elements = [plane(here), axis(CENTRES[0], here), axis(CENTRES[1], here)]
    ways = sensitivities(steps, elements, PART, solved([*steps], elements))
    assert ways[0][:, 2] == pytest.approx([0, 0, 0, 0, 0, 1], abs=1e-8)
    turn = ways[1][:3, 1]
    assert turn == pytest.approx([0, 0, -1 / 30.0], abs=1e-6)
    shift_of_second = ways[1][3:, 1] + np.cross(turn, CENTRES[1])
    assert shift_of_second == pytest.approx(np.zeros(3), abs=1e-6)
