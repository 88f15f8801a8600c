"""The log-likelihood of lives: against one written life by life, and its derivatives against differences."""

import math

import numpy as np
import pytest
from hypothesis import given, settings

from forecasting.families import Family
from forecasting.fitting import log_likelihood
from forecasting.lifetimes import Weibull
from forecasting.likelihood import Likelihood
from forecasting.lives import Lives
from forecasting.priors import Prior
from tests.reference import slow
from tests.strategies import CI, lives

INF = math.inf
LIFETIMES = (Weibull(scale=700.0, shape=0.7), Weibull(scale=900.0, shape=1.3), Weibull(scale=1500.0, shape=3.5))

EVERY_KIND = Lives(
    samples=(("air", "actuator"), ("air", "packing"), ("air", "trim"), ("steam", "trim")),
    sample=np.array([0, 0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 3, 3, 3]),
    entry=np.array([0.0, 0.0, 300.0, 250.0, 0.0, 0.0, 120.0, 0.0, 0.0, 0.0, 90.0, 0.0, 0.0, 40.0, 10.0]),
    lower=np.array([200.0, 500.0, 450.0, 250.0, 0.0, 700.0, 640.0, 310.0, 90.0, 820.0, 640.0, 310.0, 55.0, 80.0, 60.0]),
    upper=np.array([200.0, INF, 450.0, 600.0, 1.0, INF, 640.0, 400.0, 90.0, INF, 640.0, 450.0, INF, 80.0, 300.0]),
    cause=np.array([0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 6, 7, 12, 13, 14]),
)
"""Exact, right-, left- and interval-censored, entered late; causes 6 (exact) and 7 (interval) masked."""
AT = np.array([[0.1, 0.9], [-0.4, 1.6], [-1.1, 2.4], [0.3, 3.1]])


def causes(told: Lives) -> list[list[slow.SlowLife]]:
    """Lives as the slow likelihood wants them."""
    by_cause: dict[int, list[slow.SlowLife]] = {}
    for row in range(len(told)):
        life = (int(told.sample[row]), float(told.entry[row]), float(told.lower[row]), float(told.upper[row]))
        by_cause.setdefault(int(told.cause[row]), []).append(life)
    return list(by_cause.values())


@settings(CI, max_examples=200)
@given(told=lives())
def test_any_lives_have_the_likelihood_written_life_by_life(told: Lives) -> None:
    """Whatever is exact, censored, truncated or masked."""
    plain = slow.log_likelihood(causes(told), [(one.scale, one.shape) for one in LIFETIMES])
    assert log_likelihood(told, LIFETIMES) == pytest.approx(plain, rel=1e-9, abs=1e-9)


@settings(CI, max_examples=100)
@given(told=lives())
def test_the_value_alone_is_the_value_with_derivatives(told: Lives) -> None:
    """Two ways through one sum, priors and three families included; the next prior keeps nothing of the last."""
    families, at = (Family.WEIBULL, Family.LOGNORMAL, Family.LOGLOGISTIC), AT[:3]
    narrow, vague = (Prior(mean=np.full((3, 2), 0.5), sd=np.full((3, 2), sd)) for sd in (0.5, 2.0))
    likelihood = Likelihood(lives=told, families=families, prior=narrow).believing(vague)
    whole, alone = likelihood.at(at), likelihood.value(at)
    assert alone.value == pytest.approx(whole.value, rel=1e-12, abs=1e-12)
    assert alone.by_sample == pytest.approx(whole.by_sample, rel=1e-12, abs=1e-12)
    anew = Likelihood(lives=told, families=families, prior=vague).value(at).value
    assert alone.value == pytest.approx(anew, rel=1e-15)


def value(parameters: slow.FloatArray) -> float:
    """Log-likelihood of every kind of life together."""
    return float(Likelihood(lives=EVERY_KIND).at(parameters).value.sum())


def test_the_gradient_is_that_of_the_value() -> None:
    """Central differences with a step of 1e-5: their own error is about 1e-9."""
    gradient = Likelihood(lives=EVERY_KIND).at(AT).gradient
    for place in np.ndindex(AT.shape):
        step = np.zeros(AT.shape)
        step[place] = 1e-5
        assert gradient[place] == pytest.approx((value(AT + step) - value(AT - step)) / 2e-5, rel=1e-7, abs=1e-7)


def test_the_hessian_is_that_of_the_gradient() -> None:
    """Samples joined by a masked cause are coupled; the others are not."""
    likelihood = Likelihood(lives=EVERY_KIND)
    hessian = likelihood.at(AT).hessian
    blocks, corners = likelihood.block, 2 * likelihood.slot
    assert blocks[1] == blocks[2] != blocks[0] != blocks[3]
    for sample, parameter in np.ndindex(AT.shape):
        step = np.zeros(AT.shape)
        step[sample, parameter] = 1e-5
        change = (likelihood.at(AT + step).gradient - likelihood.at(AT - step).gradient) / 2e-5
        for other, second in np.ndindex(AT.shape):
            joined = blocks[sample] == blocks[other]
            there = hessian[blocks[sample], corners[sample] + parameter, corners[other] + second] if joined else 0.0
            assert there == pytest.approx(change[other, second], rel=1e-6, abs=1e-6)


def test_slots_no_sample_fills_carry_minus_the_identity() -> None:
    """So that blocks of different width are solved together."""
    likelihood = Likelihood(lives=EVERY_KIND)
    alone = likelihood.at(AT).hessian[likelihood.block[0]]
    assert np.array_equal(alone[2:, 2:], -np.eye(2))
    assert np.array_equal(alone[:2, 2:], np.zeros((2, 2)))


def test_a_life_too_sure_to_count_has_no_slope() -> None:
    """Where failure in an interval is certain, value and derivatives agree that nothing more can be gained."""
    sure = Lives(
        samples=(("air", "trim"),),
        sample=np.array([0]),
        entry=np.array([0.1]),
        lower=np.array([0.1]),
        upper=np.array([2500.0]),
        cause=np.array([0]),
    )
    there = Likelihood(lives=sure).at(np.array([[800.0, 130.0]]))
    assert there.value[0] == 0.0
    assert np.array_equal(there.gradient, np.zeros((1, 2)))
