"""Figures in both units."""

from __future__ import annotations

import pytest

from worker.reporting import wording


@pytest.mark.parametrize(
    ("shown", "expected"),
    [
        (wording.departure(0.4484), "0.448 mm (17.7 thou)"),
        (wording.departure(-0.0254, is_signed=True), "-0.025 mm (-1.0 thou)"),
        (wording.departure(0.0254, is_signed=True), "+0.025 mm (+1.0 thou)"),
        (wording.departure(-1e-9, is_signed=True), "0.000 mm (0.0 thou)"),
        (wording.size(25.4), "25.400 mm (1.0000 in)"),
        (wording.position((25.4, 0.0, -12.7)), "x 25.4, y 0.0, z -12.7 mm (x 1.00, y 0.00, z -0.50 in)"),
        (wording.vector((0.0254, -0.0254, 0.0)), "x +0.025, y -0.025, z 0.000 mm (x +1.0, y -1.0, z 0.0 thou)"),
        (wording.area(645.16), "645 mm² (1.00 in²)"),
    ],
)
def test_length_is_told_in_both_units(shown: wording.Pair, expected: str) -> None:
    assert str(shown) == expected


@pytest.mark.parametrize(
    ("share", "text"), [(0.0, "0 %"), (0.0004, "0.1 %"), (0.5, "50 %"), (0.9996, "99.9 %"), (1.0, "100 %")]
)
def test_share_is_never_rounded_to_all_or_none(share: float, text: str) -> None:
    assert wording.share(share) == text


@pytest.mark.parametrize(
    "pair", [wording.departure(0.3), wording.size(4.0), wording.vector((1, 2, 3)), wording.position((1, -2, 3))]
)
def test_every_pair_in_a_sentence_follows_the_chosen_unit(pair: wording.Pair) -> None:
    shown = wording.dual(f"It sits {pair} off.")
    assert shown == f"It sits {pair.__html__()} off."


def test_hostile_text_stays_text() -> None:
    assert "<script>" not in wording.dual("<script>alert(1)</script> 0.300 mm (11.8 thou)")
