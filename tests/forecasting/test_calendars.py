"""The cells the time ahead is cut into: windows are whole numbers of cells, and planned dates stay on their side."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from forecasting.calendars import Calendar
from forecasting.errors import InvalidInput
from tests.strategies import CI

windows = st.lists(
    st.tuples(st.integers(0, 700), st.integers(1, 365)).map(lambda pair: (float(pair[0]), float(sum(pair)))),
    min_size=1,
    max_size=6,
)


@settings(CI, max_examples=150)
@given(wanted=windows, intervals=st.lists(st.integers(20, 900).map(float), max_size=2))
def test_every_window_is_a_whole_number_of_cells(wanted: list[tuple[float, float]], intervals: list[float]) -> None:
    """Its cells have its length, and none is longer than asked for."""
    calendar = Calendar.of(wanted, intervals=intervals, cell=7.0)
    length = calendar.right - calendar.left
    assert np.array_equal(calendar.left[1:], calendar.right[:-1])
    assert (length >= 0.0).all()
    assert (length <= 7.0 + 1e-9).all()
    for number, (start, end) in enumerate(wanted):
        first, after = calendar.span(number)
        assert length[first:after].sum() == pytest.approx(end - start, abs=1e-6)
        assert calendar.right[after - 1] == pytest.approx(end, abs=1e-6)


@settings(CI, max_examples=150)
@given(wanted=windows, interval=st.integers(20, 900).map(float), times=st.integers(1, 3))
def test_what_recurs_with_an_interval_recurs_in_the_middle_of_one_cell(
    wanted: list[tuple[float, float]], interval: float, times: int
) -> None:
    """Also with a multiple of it, so that trim and packing that come due together do so in one cell."""
    calendar = Calendar.of(wanted, intervals=[interval, times * interval])
    for days in (interval, times * interval):
        due = calendar.middle + days
        due = due[due <= calendar.right[-1] - 1e-6]
        assert np.abs(due[:, None] - calendar.middle).min(axis=1, initial=np.inf).max(initial=0.0) < 1e-6


def test_what_is_overdue_has_a_cell_of_its_own_at_once() -> None:
    """And whenever it comes due again; the window that ends there holds it, the next one doesn't."""
    calendar = Calendar.of([(0.0, 250.0), (250.0, 300.0)], intervals=[250.0])
    at_once = np.flatnonzero(calendar.left == calendar.right)
    assert calendar.left[at_once].tolist() == [0.0, 250.0]
    assert calendar.span(0) == (0, at_once[1] + 1)
    assert calendar.span(1) == (at_once[1] + 1, len(calendar.left))


@pytest.mark.parametrize("wanted", [[], [(5.0, 5.0)], [(9.0, 3.0)], [(-1.0, 3.0)]])
def test_impossible_windows_are_refused(wanted: list[tuple[float, float]]) -> None:
    """Named as they came."""
    with pytest.raises(InvalidInput, match="`windows` need 0 <= start < end"):
        Calendar.of(wanted)
