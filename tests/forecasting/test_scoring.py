"""Scores against published values and closed forms; honest forecasts score best and come out flat."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import nbinom, poisson

from forecasting.arrays import FloatArray
from forecasting.errors import InvalidInput
from forecasting.scoring import crps, interval_cover, log_scores, pinball, pit_heights, probability_table, quantiles
from tests.strategies import CI

LONG = np.arange(400)
TEN = [0, 1, 1, 2, 3, 5, 2, 0, 4, 1]


def rows(pmf: FloatArray, count: int) -> FloatArray:
    """The same forecast several times."""
    return probability_table([pmf] * count)


@pytest.mark.parametrize(
    ("pmf", "count", "expected"),
    [
        pytest.param(poisson.pmf(LONG, 3), 0, 2.043873324155, id="poisson-3-scoringrules-computed"),
        pytest.param(poisson.pmf(LONG, 3), 3, 0.388124170087, id="poisson-3-scoringrules-computed"),
        pytest.param(poisson.pmf(LONG, 3), 7, 3.078261482019, id="poisson-3-scoringrules-computed"),
        pytest.param(poisson.pmf(LONG, 0.5), 2, 1.195818287091, id="poisson-half-scoringrules-computed"),
        pytest.param(nbinom.pmf(LONG, 2.5, 0.4), 0, 2.120332251464, id="negative-binomial-scoringrules-computed"),
        pytest.param(nbinom.pmf(LONG, 2.5, 0.4), 3, 0.653404461114, id="negative-binomial-scoringrules-computed"),
    ],
)
def test_crps_of_counts(pmf: FloatArray, count: int, expected: float) -> None:
    assert crps(rows(pmf, 1), [count])[0] == pytest.approx(expected, abs=1e-10)


def test_heights_and_mean_scores_of_ten_counts() -> None:
    """Ten counts against Poisson(2), five bins: formula of Czado, Gneiting & Held (2009), values computed."""
    table = rows(poisson.pmf(LONG, 2), 10)
    heights = pit_heights(table, TEN, bins=5)
    assert heights == pytest.approx([1.358358, 1.108358, 0.75, 0.625, 1.158283], abs=1e-6)
    assert log_scores(table, TEN).mean() == pytest.approx(1.7973802973, abs=1e-9)
    assert crps(table, TEN).mean() == pytest.approx(0.8893614119, abs=1e-9)


def test_pinball_of_the_reference() -> None:
    """Level 0.9, stated 5: 8 come, 2.7; 3 come, 0.2 (definition)."""
    assert pinball([5, 5], [8, 3], level=0.9) == pytest.approx([2.7, 0.2])


@CI
@given(st.lists(st.floats(0.01, 1.0), min_size=1, max_size=8), st.integers(0, 12))
def test_crps_is_twice_the_mean_pinball_over_all_levels(weights: list[float], count: int) -> None:
    pmf = np.array(weights) / sum(weights)
    levels = (np.arange(4000) + 0.5) / 4000
    stated = np.searchsorted(np.cumsum(pmf) + 1e-15, levels)
    pinballs = np.where(count < stated, (levels - 1.0) * (count - stated), levels * (count - stated))
    assert crps(rows(pmf, 1), [count])[0] == pytest.approx(2.0 * pinballs.mean(), abs=2e-2)


def test_the_truth_scores_best() -> None:
    """Expected score over the true distribution is least for the true distribution (proper scores)."""
    truth = poisson.pmf(np.arange(60), 4)
    for score in (crps, log_scores):
        expected = {mean: truth @ score(rows(poisson.pmf(np.arange(60), mean), 60), range(60)) for mean in (3, 4, 5)}
        assert min(expected, key=lambda mean: float(expected[mean])) == 4


def test_honest_forecasts_come_out_flat_and_cover_what_they_claim() -> None:
    """The expectation over the true distribution, exactly: heights 1, coverage 0.9."""
    truth = nbinom.pmf(LONG, 3, 0.3)
    table = rows(truth, len(LONG))
    assert truth @ interval_cover(table, LONG, level=0.9) == pytest.approx(0.9, abs=1e-9)
    heights = sum(weight * pit_heights(rows(truth, 1), [k]) for k, weight in enumerate(truth[:200]))
    assert heights == pytest.approx(np.ones(10), abs=1e-9)


def test_too_narrow_forecasts_cover_less_and_stand_high_at_both_ends() -> None:
    truth = nbinom.pmf(LONG, 1, 0.2)
    table = rows(poisson.pmf(LONG, 4), len(LONG))
    assert truth @ interval_cover(table, LONG, level=0.9) < 0.7
    heights = sum(weight * pit_heights(rows(table[0], 1), [k]) for k, weight in enumerate(truth))
    assert np.asarray(heights)[[0, -1]].min() > 1.5


def test_what_was_held_impossible_stands_at_the_top_and_outside() -> None:
    table = rows(np.array([0.5, 0.5]), 1)
    assert pit_heights(table, [7], bins=4).tolist() == [0, 0, 0, 4]
    assert interval_cover(table, [7], level=0.9).tolist() == [0.0]
    assert log_scores(table, [7]).tolist() == [np.inf]
    assert crps(table, [7])[0] == pytest.approx(0.25 + 6)


def test_quantiles_are_the_smallest_that_suffice() -> None:
    assert quantiles(rows(poisson.pmf(LONG, 3), 2), 0.95).tolist() == [6.0, 6.0]


def test_what_can_not_be_scored_is_refused() -> None:
    table = rows(np.array([0.5, 0.5]), 2)
    with pytest.raises(InvalidInput, match="must not be negative"):
        crps(table, [0, -1])
    with pytest.raises(InvalidInput, match="one length"):
        interval_cover(table, [0], level=0.9)
    with pytest.raises(InvalidInput, match="within"):
        quantiles(table, 1.0)
    with pytest.raises(InvalidInput, match="number 1 is off"):
        probability_table([[1.0], [0.4]])
    with pytest.raises(InvalidInput, match="at least one"):
        probability_table([])
