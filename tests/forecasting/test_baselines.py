"""Simple methods: smoothing against another package and by its definition, the Poisson distribution against scipy."""

from pathlib import Path

import numpy as np
import pytest
from scipy.stats import poisson

from forecasting.arrays import FloatArray
from forecasting.baselines import Baseline, baseline_rates, poisson_distribution, smoothed_level
from forecasting.errors import InvalidInput

REFERENCE = Path(__file__).parents[1] / "reference"
RISING = [0, 1, 0, 1, 2, 1, 3, 2, 4, 3, 5, 4, 6, 5, 5, 7]


def part_x() -> list[int]:
    months: list[int] = np.loadtxt(REFERENCE / "partx.csv", skiprows=1, dtype=np.int64).tolist()
    return months


@pytest.mark.parametrize(
    ("history", "expected"),
    [pytest.param(part_x(), 0.717493, id="partx-statsmodels"), pytest.param(RISING, 6.235973, id="rising-statsmodels")],
)
def test_smoothing_equals_that_of_another_package(history: list[int], expected: float) -> None:
    """SimpleExpSmoothing of statsmodels 0.15.0, first level estimated; its search stops within 1e-5 of the optimum."""
    assert smoothed_level(history) == pytest.approx(expected, abs=1e-5)


def errors_and_level(history: list[int], constant: float, first: float) -> tuple[FloatArray, float]:
    """By the definition: each level moves by the constant times the error."""
    level, errors = first, []
    for demand in history:
        errors.append(demand - level)
        level += constant * (demand - level)
    return np.array(errors), level


@pytest.mark.parametrize("history", [RISING, part_x(), [4, 4, 4, 0, 0, 0, 0, 0], [0, 0, 0, 0, 0, 6, 5, 7, 6]])
def test_the_level_is_that_of_the_least_squared_errors(history: list[int]) -> None:
    """Searched on a grid of constants; errors are linear in the first level, so two runs give the best one."""
    found = []
    for constant in np.linspace(0.0, 1.0, 2001):
        errors, _ = errors_and_level(history, constant, 0.0)
        slope = errors_and_level(history, constant, 1.0)[0] - errors
        first = -float(errors @ slope) / float(slope @ slope)
        errors, level = errors_and_level(history, constant, first)
        found.append((float(errors @ errors), level))
    assert smoothed_level(history) == pytest.approx(max(min(found)[1], 0.0), abs=5e-3)


def test_without_demand_every_rate_is_nothing() -> None:
    assert set(baseline_rates([0, 0, 0]).values()) == {0.0}
    assert poisson_distribution(0.0).tolist() == [1.0]


def test_a_steady_demand_has_one_rate_but_for_the_correction() -> None:
    rates = baseline_rates([1] * 60)
    assert rates[Baseline.MEAN] == rates[Baseline.SMOOTHING] == 1.0
    assert rates[Baseline.SBA] == pytest.approx(0.95)


@pytest.mark.parametrize("mean", [1e-6, 0.3, 7.5, 400.0])
def test_the_distribution_is_poisson(mean: float) -> None:
    ours = poisson_distribution(mean)
    assert ours == pytest.approx(poisson.pmf(np.arange(len(ours)), mean), rel=1e-9, abs=1e-12)
    assert poisson.sf(len(ours) - 1, mean) < 1e-11


def test_a_negative_mean_is_refused() -> None:
    with pytest.raises(InvalidInput, match="`mean` must be finite and not negative, got -1"):
        poisson_distribution(-1.0)
