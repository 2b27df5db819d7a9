"""Symmetry formulas against a printed table and by hand.

Of the published formulas the package holds those that a metric uses: the ratio and the reduction in percent of the
larger side. The others stand here, to show what the table's numbers are and how ours relate to them.
"""

from __future__ import annotations

from collections.abc import Callable
from math import atan, degrees

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.metrics.symmetry import PAIRS, difference, ratio, reduction_pct
from tests.reference_tables import HOME, reference

# Lauziere and others 2014, table 1 (READ); source, copier and date stand in the file itself.
TABLE = reference("lauziere_2014_table1").set_index("quantity")
PEOPLE = ("S1", "S2", "S3")
Formula = Callable[[float, float], float]


def over_first(first: float, second: float) -> float:
    return 100 * (first - second) / first


def over_mean(first: float, second: float) -> float:
    """Robinson's index: formula READ in the same table."""
    return 100 * (first - second) / (0.5 * (first + second))


def over_sum(first: float, second: float) -> float:
    return 100 * (first - second) / (first + second)


def share(first: float, second: float) -> float:
    return 100 * first / (first + second)


def angle(first: float, second: float) -> float:
    """Zifchock's symmetry angle: formula READ."""
    return (45 - degrees(atan(first / second))) / 90 * 100


def absolute_index(first: float, second: float) -> float:
    """Robinson's index without its sign: from the project's reference notes."""
    return abs(over_mean(first, second))


# The formula of each printed row, of NP and P. `difference` and `ratio` are the package's own.
PRINTED: dict[str, Formula] = {
    "difference": difference,
    "ratio": ratio,
    "over_first": over_first,
    "over_mean": over_mean,
    "over_sum": over_sum,
    "share": share,
    "angle": angle,
    "over_first_swapped": lambda np_m, p_m: over_first(p_m, np_m),
}


@pytest.mark.parametrize("person", PEOPLE)
@pytest.mark.parametrize("row", PRINTED)
def test_printed_rows(row: str, person: str) -> None:
    found = PRINTED[row](TABLE.loc["NP", person], TABLE.loc["P", person])
    assert found == pytest.approx(TABLE.loc[row, person], abs=TABLE.loc[row, "tolerance"])


def test_every_printed_row_is_checked() -> None:
    assert set(TABLE.index) == set(PRINTED) | {"NP", "P"}


@pytest.mark.parametrize("person", PEOPLE)
def test_our_reduction_is_the_printed_difference_over_the_larger_side(person: str) -> None:
    """NP is the larger one: 35.90, 32.20, 21.28 %. With the sides swapped ours is its mirror, the table's is not."""
    larger, smaller = TABLE.loc["NP", person], TABLE.loc["P", person]
    assert reduction_pct(smaller, larger) == pytest.approx(TABLE.loc["over_first", person], abs=0.0051)
    assert reduction_pct(larger, smaller) == pytest.approx(-TABLE.loc["over_first", person], abs=0.0051)
    assert TABLE.loc["over_first_swapped", person] < -TABLE.loc["over_first", person] - 5


@pytest.mark.parametrize("person", PEOPLE)
def test_swapped_sides_mirror_the_other_rows(person: str) -> None:
    """The table's note (READ): differences and the symmetry angle change their sign; the index has the same size."""
    first, second = TABLE.loc["NP", person], TABLE.loc["P", person]
    for formula in (difference, over_mean, over_sum, angle):
        assert formula(second, first) == pytest.approx(-formula(first, second))
    assert ratio(second, first) == pytest.approx(1 / ratio(first, second))
    assert share(second, first) == pytest.approx(100 - share(first, second))
    assert absolute_index(second, first) == absolute_index(first, second)


def test_reduction_by_hand() -> None:
    """15 against 50 deg is 70 % less; the same the other way round is -70 %; equal is 0."""
    assert reduction_pct(15.0, 50.0) == pytest.approx(70.0)
    assert reduction_pct(50.0, 15.0) == pytest.approx(-70.0)
    assert reduction_pct(30.0, 30.0) == 0.0


def test_an_index_blows_up_where_angles_pass_zero_and_a_difference_does_not() -> None:
    """Knees at 1 and -0.8 deg: 1.8 deg apart, an index of 1800 % (READ: not for angles near zero)."""
    assert difference(1.0, -0.8) == pytest.approx(1.8)
    assert over_mean(1.0, -0.8) == pytest.approx(1800)
    relative = {pair.metric for pair in PAIRS if pair.compute is not difference}
    assert not [metric for metric in relative if metric.startswith(("knee", "trunk", "pelvic", "foot_direction"))]


@given(first=st.floats(0.01, 100), second=st.floats(0.01, 100), scale=st.floats(0.01, 100))
def test_relative_indices_ignore_the_unit(first: float, second: float, scale: float) -> None:
    for index in (reduction_pct, ratio, over_mean, over_sum, angle):
        assert index(first * scale, second * scale) == pytest.approx(index(first, second), rel=1e-6, abs=1e-6)
    assert reduction_pct(second, first) == pytest.approx(-reduction_pct(first, second), abs=1e-6)


def test_reference_tables_name_their_source_and_how_well_it_is_known() -> None:
    for path in sorted(HOME.glob("*.csv")):
        head = "".join(line for line in path.read_text(encoding="utf-8").splitlines(True) if line.startswith("#"))
        assert "Copied" in head or "copied" in head, path.name
        assert "olerance" in head, path.name
        assert any(word in head for word in ("READ", "MEMORY")), path.name
