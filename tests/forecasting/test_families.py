"""Every family on one path: published and open-package fits, identities, derivatives with families and priors mixed."""

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import ArrayLike
from scipy import stats

from forecasting.errors import InvalidInput
from forecasting.families import STANDARD, Family
from forecasting.family_choice import choose_family
from forecasting.fitting import Fit, fit_lifetimes, log_likelihood
from forecasting.lifetimes import Fitted, lifetime_of
from forecasting.likelihood import Likelihood
from forecasting.lives import Lives, lives_of_one_sample
from forecasting.priors import Prior

REFERENCE = Path(__file__).parents[1] / "reference"


def fitted(family: Family, *, lower: ArrayLike, upper: ArrayLike, entry: ArrayLike | None = None) -> Fit:
    return fit_lifetimes(lives_of_one_sample(lower=lower, upper=upper, entry=entry), family=family)[0]


def as_location_and_spread(fit: Fit) -> tuple[float, float]:
    assert fit.lifetime is not None
    return float(np.log(fit.lifetime.scale)), 1.0 / fit.lifetime.shape


def channing_house() -> dict[str, np.ndarray]:
    with (REFERENCE / "channing_house.csv").open(newline="") as file:
        rows = [row for row in csv.DictReader(file) if int(row["age"]) > int(row["ageentry"])]
    age = np.array([int(row["age"]) for row in rows]) / 12
    died = np.array([row["death"] == "1" for row in rows])
    return {
        "lower": age,
        "upper": np.where(died, age, np.inf),
        "entry": np.array([int(row["ageentry"]) for row in rows]) / 12,
    }


def test_lognormal_lives_with_late_entry_channing_house() -> None:
    """REFERENCE 4: mu 4.432357, sigma 0.116492, logL -651.988291; computed, as two open packages (data seen)."""
    fit = fitted(Family.LOGNORMAL, **channing_house())
    assert as_location_and_spread(fit) == pytest.approx((4.432357, 0.116492), rel=1e-5)
    assert fit.log_likelihood == pytest.approx(-651.988291, abs=1e-6)


def test_lognormal_lives_in_intervals_heat_exchanger() -> None:
    """REFERENCE 3: mu 3.73757, sigma 1.69629, logL -54.350468; computed, three programs (data seen)."""
    lower, upper = [], []
    with (REFERENCE / "heat_exchanger.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            count = int(row["count"])
            lower += count * [0.0 if row["event"] == "Left" else float(row["lower"])]
            upper += count * [np.inf if row["event"] == "Right" else float(row["upper"])]
    fit = fitted(Family.LOGNORMAL, lower=lower, upper=upper)
    assert as_location_and_spread(fit) == pytest.approx((3.73757, 1.69629), rel=1e-4)
    assert fit.log_likelihood == pytest.approx(-54.350468, abs=1e-6)


def test_lognormal_and_weibull_aic_nist_8_4_1_3() -> None:
    """NIST/SEMATECH e-Handbook 8.4.1.3 (seen): AIC 154.27 Weibull, 154.39 lognormal."""
    ages = np.array([54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + 10 * [500], dtype=float)
    upper = np.where(ages < 500, ages, np.inf)
    aic = {}
    for family in (Family.WEIBULL, Family.LOGNORMAL):
        height = fitted(family, lower=ages, upper=upper).log_likelihood
        assert height is not None
        aic[family] = round(4 - 2 * height, 2)
    assert aic == {Family.WEIBULL: 154.27, Family.LOGNORMAL: 154.39}


@pytest.mark.parametrize(
    ("family", "peer"),
    [(Family.LOGNORMAL, stats.lognorm), (Family.LOGLOGISTIC, stats.fisk), (Family.WEIBULL, stats.weibull_min)],
)
def test_right_censored_fit_equals_scipy(family: Family, peer: stats.rv_continuous) -> None:
    rng = np.random.default_rng(8)
    ages, ends = rng.lognormal(6.0, 0.7, 120), rng.uniform(200, 1500, 120)
    lower, failed = np.minimum(ages, ends), ages < ends
    fit = fitted(family, lower=lower, upper=np.where(failed, lower, np.inf))
    censored = stats.CensoredData.right_censored(lower, ~failed)
    shape, _, scale = peer.fit(censored, floc=0)
    shape = 1.0 / shape if family is Family.LOGNORMAL else shape
    assert fit.lifetime is not None
    assert (fit.lifetime.scale, fit.lifetime.shape) == pytest.approx((scale, shape), rel=2e-4), "scipy stops early"


def test_exponential_fit_is_failures_over_exposure() -> None:
    fit = fitted(
        Family.EXPONENTIAL, lower=[10.0, 20.0, 30.0, 40.0], upper=[10.0, 20.0, np.inf, np.inf], entry=[0, 5, 0, 0]
    )
    assert fit.lifetime is not None
    assert fit.lifetime.scale == pytest.approx((100.0 - 5.0) / 2.0, rel=1e-12)
    assert fit.lifetime.shape == 1.0


PEERS: dict[Family, Callable[[float, float], Any]] = {
    Family.EXPONENTIAL: lambda scale, shape: stats.expon(scale=scale),
    Family.WEIBULL: lambda scale, shape: stats.weibull_min(shape, scale=scale),
    Family.LOGNORMAL: lambda scale, shape: stats.lognorm(1 / shape, scale=scale),
    Family.LOGLOGISTIC: lambda scale, shape: stats.fisk(shape, scale=scale),
}


@pytest.mark.parametrize("family", list(Family))
def test_survival_quantile_and_mean_are_scipys(family: Family) -> None:
    shape = 1.0 if family is Family.EXPONENTIAL else 2.3
    ours, peer = lifetime_of(family, scale=700.0, shape=shape), PEERS[family](700.0, shape)
    ages = np.array([0.0, 1.0, 50.0, 700.0, 3000.0, 20000.0])
    assert ours.survival(ages) == pytest.approx(peer.sf(ages), rel=1e-10, abs=1e-300)
    assert ours.cumulative_hazard(ages) == pytest.approx(-peer.logsf(ages), rel=1e-10)
    assert [ours.quantile(p) for p in (0.1, 0.5, 0.99)] == pytest.approx(list(peer.ppf([0.1, 0.5, 0.99])), rel=1e-10)
    assert ours.mean == pytest.approx(peer.mean(), rel=1e-9)


def test_a_loglogistic_of_shape_one_has_no_mean() -> None:
    assert lifetime_of(Family.LOGLOGISTIC, scale=10.0, shape=1.0).mean == float("inf")


@pytest.mark.parametrize("family", list(Family))
def test_impossible_parameters_are_refused(family: Family) -> None:
    with pytest.raises(InvalidInput, match="positive and finite"):
        lifetime_of(family, scale=-1.0, shape=1.0)


@pytest.mark.parametrize("family", list(Family))
def test_growth_is_what_differences_say(family: Family) -> None:
    z, step = np.linspace(-6.0, 3.0, 40), 1e-5
    growth = STANDARD[family].growth
    for value, slope in (("cumulative", "hazard"), ("hazard", "bend"), ("log_hazard", "turn"), ("turn", "twist")):
        difference = (getattr(growth(z + step), value) - getattr(growth(z - step), value)) / (2 * step)
        assert getattr(growth(z), slope) == pytest.approx(difference, rel=1e-6, abs=1e-8), slope


def mixed_lives() -> Lives:
    """Twelve lives of two items: every kind of censoring, late entries, an exact and an interval masked cause."""
    rng = np.random.default_rng(0)
    lower = rng.uniform(1.0, 5.0, 12)
    upper = np.select([np.arange(12) % 3 == 0, np.arange(12) % 3 == 1], [lower, lower + 1.0], np.inf)
    cause = np.arange(12)
    for one, other, width in ((0, 3, 0.0), (4, 7, 1.0)):
        cause[other] = cause[one]
        upper[[one, other]] = lower[[one, other]] + width
    return Lives(
        samples=(("a", "x"), ("a", "y")),
        sample=np.array([0, 1, 0, 1, 0, 0, 1, 1, 0, 1, 0, 1]),
        entry=np.where(np.arange(12) % 2, lower / 2, 0.0),
        lower=lower,
        upper=upper,
        cause=cause,
    )


@pytest.mark.parametrize("second", [Family.WEIBULL, Family.LOGNORMAL, Family.LOGLOGISTIC])
@pytest.mark.parametrize("first", [Family.WEIBULL, Family.LOGNORMAL, Family.LOGLOGISTIC])
@pytest.mark.parametrize(
    "prior", [None, Prior(mean=np.array([[1.0, 0.3], [0.5, 0.1]]), sd=np.array([[0.7, 0.3], [1, 0.5]]))]
)
def test_derivatives_are_what_differences_say(first: Family, second: Family, prior: Prior | None) -> None:
    likelihood = Likelihood(lives=mixed_lives(), families=(first, second), prior=prior)
    at, step = np.array([-0.3, 1.4, 0.2, 2.1]), 1e-5
    here = likelihood.at(at.reshape(2, 2))
    for place in range(4):
        ahead, behind = at.copy(), at.copy()
        ahead[place] += step
        behind[place] -= step
        up, down = likelihood.at(ahead.reshape(2, 2)), likelihood.at(behind.reshape(2, 2))
        slope = (up.value.sum() - down.value.sum()) / (2 * step)
        assert here.gradient.ravel()[place] == pytest.approx(slope, rel=1e-6, abs=1e-7)
        bend = ((up.gradient - down.gradient) / (2 * step)).ravel()
        assert here.hessian[0][place] == pytest.approx(bend, rel=1e-6, abs=1e-7)


def test_an_exponentials_shape_is_held() -> None:
    likelihood = Likelihood(lives=mixed_lives(), families=(Family.EXPONENTIAL, Family.WEIBULL))
    here = likelihood.at(np.array([[0.1, 1.0], [0.2, 2.1]]))
    assert here.gradient[0, 1] == 0.0
    assert here.hessian[0, 1].tolist() == [0.0, -1.0, 0.0, 0.0]


def test_log_likelihood_of_several_families_adds_up() -> None:
    lives = mixed_lives()
    alone = [index for index in range(12) if index not in {0, 3, 4, 7}]
    parts: list[Fitted] = [
        lifetime_of(Family.LOGNORMAL, scale=3.0, shape=1.2),
        lifetime_of(Family.WEIBULL, scale=4.0, shape=2.0),
    ]
    kept = Lives(
        samples=lives.samples,
        sample=lives.sample[alone],
        entry=lives.entry[alone],
        lower=lives.lower[alone],
        upper=lives.upper[alone],
        cause=lives.cause[alone],
    )
    each = [log_likelihood(kept.of_samples([sample]), [parts[sample]]) for sample in (0, 1)]
    assert log_likelihood(kept, parts) == pytest.approx(sum(each), rel=1e-12)


def test_a_family_is_chosen_only_on_clear_evidence() -> None:
    evidence = {Family.EXPONENTIAL: -90.0, Family.WEIBULL: -60.0, Family.LOGNORMAL: -55.5, Family.LOGLOGISTIC: -61.0}
    clear = choose_family(evidence, failures=30)
    assert (clear.family, clear.runner_up, clear.difference) == (Family.LOGNORMAL, Family.WEIBULL, 9.0)
    doubtful = choose_family(evidence | {Family.LOGNORMAL: -56.0}, failures=30)
    assert (doubtful.family, doubtful.difference) == (Family.WEIBULL, -8.0), "19 to 1 takes 8.1"
    few = choose_family(evidence, failures=19)
    assert (few.family, few.runner_up, few.difference) == (Family.WEIBULL, None, None)
    constant = choose_family(evidence | {Family.EXPONENTIAL: -54.0}, failures=30)
    assert (constant.family, constant.difference) == (Family.EXPONENTIAL, 7.0), "two parameters fewer count 4"
