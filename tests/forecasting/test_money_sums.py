"""Distributions of sums beside convolution and simulation."""

import numpy as np
import pytest

from forecasting.errors import InvalidInput
from forecasting.money_sums import Amounts, sum_of


def two(value: float, chance: list[float]) -> Amounts:
    """An amount or nothing."""
    often = np.array(chance)
    return Amounts(values=np.array([0.0, value]), chances=np.column_stack([1.0 - often, often]))


def test_on_its_own_grid_a_sum_is_the_mixture_of_convolutions() -> None:
    amounts = [two(1.0, [0.2, 0.6]), two(3.0, [0.5, 0.9]), two(4.0, [0.1, 0.3])]
    wanted = np.zeros(9)
    for point in range(2):
        summed = np.ones(1)
        for one in amounts:
            single = np.zeros(int(one.values[1]) + 1)
            single[0], single[-1] = one.chances[point]
            summed = np.convolve(summed, single)
        wanted += summed / 2.0
    assert sum_of(amounts, step=1.0).chances == pytest.approx(wanted, abs=1e-12)


def test_the_mean_is_kept_off_the_grid() -> None:
    amounts = [two(123.45, [0.3]), two(777.7, [0.5]), two(1e4, [0.01])]
    assert sum_of(amounts).mean == pytest.approx(0.3 * 123.45 + 0.5 * 777.7 + 100.0, rel=1e-9)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_quantiles_agree_with_simulation(seed: int) -> None:
    rng = np.random.default_rng(seed)
    amounts = [two(value, list(rng.beta(2.0, 9.0, size=16))) for value in rng.uniform(200.0, 9000.0, size=40)]
    played = np.zeros(100_000)
    point = rng.integers(0, 16, size=len(played))
    for one in amounts:
        played += one.values[1] * (rng.random(len(played)) < one.chances[point, 1])
    found = sum_of(amounts)
    for share in (0.1, 0.5, 0.8, 0.9):
        # three standard errors of a share, and one step of the grid
        slack = 3.0 * np.sqrt(share * (1.0 - share) / len(played))
        low, high = np.quantile(played, [share - slack, share + slack])
        assert low - found.step <= found.quantile(share) <= high + found.step


def test_the_quantile_of_a_sum_is_not_the_sum_of_quantiles() -> None:
    halves = [[two(1000.0, [0.2])] * 10, [two(700.0, [0.3])] * 10]
    parts = [sum_of(half).quantile(0.8) for half in halves]
    assert sum_of([*halves[0], *halves[1]]).quantile(0.8) < sum(parts) - 300.0


def test_what_is_shared_widens_the_sum() -> None:
    alone = sum_of([two(1.0, [0.3])] * 50, step=1.0)
    together = sum_of([two(1.0, [0.1, 0.5])] * 50, step=1.0)
    assert together.mean == pytest.approx(alone.mean)
    assert together.quantile(0.9) > alone.quantile(0.9) + 5.0


def test_nothing_sums_to_nothing() -> None:
    assert sum_of([]).quantile(0.9) == 0.0
    assert sum_of([two(0.0, [1.0])]).mean == 0.0


def test_below_is_the_share_up_to_an_amount() -> None:
    found = sum_of([two(2.0, [0.25])], step=1.0)
    assert found.below([-1.0, 0.0, 2.0, 9.0]) == pytest.approx([0.0, 0.75, 1.0, 1.0])


def test_amounts_have_the_same_points() -> None:
    with pytest.raises(InvalidInput, match="must have the same points"):
        sum_of([two(1.0, [0.5]), two(1.0, [0.5, 0.5])])


def test_amounts_are_not_negative() -> None:
    with pytest.raises(InvalidInput, match="must not be negative"):
        sum_of([Amounts(values=np.array([-1.0, 1.0]), chances=np.array([[0.5, 0.5]]))])
