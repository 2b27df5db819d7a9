"""Symmetry formulas against a printed table and by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.metrics.symmetry import ratio, reduction_pct, symmetry_angle_pct, symmetry_index_pct

# Lauziere and others, Int J Phys Med Rehabil 2014;2:201, table 1 (read): fictive step lengths in metres of three
# people, non-paretic and paretic, and the indices as printed. Copied 2026-11-25 through the project's references.
LAUZIERE_TABLE_1 = [
    # non-paretic, paretic, NP/P, 100 (NP-P) / (0.5 (NP+P)), 100 (45 - atan(NP/P)) / 90
    (0.39, 0.25, 1.56, 43.75, -13.71),
    (0.59, 0.40, 1.48, 38.38, -12.07),
    (0.47, 0.37, 1.27, 23.81, -7.54),
]


@pytest.mark.parametrize(("non_paretic", "paretic", "printed_ratio", "index", "angle"), LAUZIERE_TABLE_1)
def test_printed_indices(non_paretic: float, paretic: float, printed_ratio: float, index: float, angle: float) -> None:
    """Tolerance: half a unit of the last printed digit; 1.475 is printed as 1.48."""
    assert ratio(non_paretic, paretic) == pytest.approx(printed_ratio, abs=0.0051)
    assert symmetry_index_pct(non_paretic, paretic) == pytest.approx(index, abs=0.006)
    assert symmetry_angle_pct(paretic, non_paretic) == pytest.approx(angle, abs=0.006)


def test_reduction_by_hand() -> None:
    """15 against 50 deg is 70 % less; the same the other way round is -70 %; equal is 0."""
    assert reduction_pct(15.0, 50.0) == pytest.approx(70.0)
    assert reduction_pct(50.0, 15.0) == pytest.approx(-70.0)
    assert reduction_pct(30.0, 30.0) == 0.0


@given(first=st.floats(0.01, 100), second=st.floats(0.01, 100), scale=st.floats(0.01, 100))
def test_indices_ignore_the_unit_and_change_sign_with_the_sides(first: float, second: float, scale: float) -> None:
    for index in (reduction_pct, symmetry_index_pct, symmetry_angle_pct):
        assert index(first * scale, second * scale) == pytest.approx(index(first, second), abs=1e-6)
        assert index(second, first) == pytest.approx(-index(first, second), abs=1e-6)
