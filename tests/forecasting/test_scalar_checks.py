"""Published and computed values of valve seats, repairs, censored and truncated lives, one test a row of the table.

`tests/reference/scalar_checks.csv` names the source of each row, whether that was seen, what isn't covered and why.
"""

import csv
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest

from forecasting.families import Family
from forecasting.fitting import fit_lifetimes
from forecasting.intervals import likelihood_intervals
from forecasting.lifetimes import failure_probability
from forecasting.likelihood import Likelihood
from forecasting.lives import Lives, lives_of_one_sample
from forecasting.mean_cumulative import mean_cumulative
from forecasting.nonparametric import failed_by_age
from forecasting.pooling import scale_without_failures
from forecasting.priors import log_parameters
from forecasting.trends import PowerLaw, TrendTests, power_law, trend_tests
from tests.reference import slow
from tests.reference.life_data import (
    all_residents,
    ball_bearings,
    bearing_cage,
    channing_house,
    heat_exchanger,
    new_at_entry,
    shock_absorber,
    small_set,
)

REFERENCE = Path(__file__).parents[1] / "reference"
NORMAL_95, NORMAL_80 = 1.959963985, 1.281551566


def table() -> list[dict[str, str]]:
    with (REFERENCE / "scalar_checks.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def weibull(lives: Lives) -> tuple[float, float, float]:
    """Scale, shape, log-likelihood."""
    return fitted(lives, Family.WEIBULL)


def fitted(lives: Lives, family: Family) -> tuple[float, float, float]:
    fit = fit_lifetimes(lives, family=family)[0]
    assert fit.lifetime is not None
    assert fit.log_likelihood is not None
    return fit.lifetime.scale, fit.lifetime.shape, fit.log_likelihood


def lognormal(lives: Lives) -> tuple[float, float, float]:
    """Give mu, sigma, log-likelihood."""
    scale, shape, height = fitted(lives, Family.LOGNORMAL)
    return float(np.log(scale)), 1.0 / shape, height


def curvature_errors(lives: Lives) -> tuple[float, ...]:
    """Standard errors of log scale and log shape, by the product's Hessian at its maximum."""
    scale, shape, _ = weibull(lives)
    likelihood = Likelihood(lives=lives)
    at = np.array([[shape * np.log(likelihood.reference[0] / scale), shape]])
    turned = log_parameters(at, reference=likelihood.reference).jacobian[0]
    covariance = turned @ np.linalg.inv(-likelihood.at(at).hessian[0]) @ turned.T
    return tuple(np.sqrt(np.diag(covariance)).tolist())


def log_wald(lives: Lives) -> tuple[float, ...]:
    """Limits of scale, then of shape: 95 %, symmetric in their logs."""
    fit = weibull(lives)[:2]
    return tuple(
        value * np.exp(side * NORMAL_95 * error)
        for value, error in zip(fit, curvature_errors(lives), strict=True)
        for side in (-1.0, 1.0)
    )


def engines() -> tuple[list[list[float]], list[float]]:
    """Replacements of each of the 41 engines, and the age at which its watch ended."""
    seats = slow.rows("valve_seat_nelson1995.csv")
    ends = {row["id"]: float(row["time"]) for row in seats if row["status"] == "0"}
    failures = {
        engine: [float(r["time"]) for r in seats if r["id"] == engine and r["status"] == "1"] for engine in ends
    }
    return list(failures.values()), list(ends.values())


def engines_counted() -> tuple[float, ...]:
    failures, watched = engines()
    made = mean_cumulative(failures, watched=watched)
    return float(made.at_risk[0]), float(made.failures.sum())


def engines_at(age: float) -> tuple[float, ...]:
    """Mean replacements, robust error and limits."""
    failures, watched = engines()
    made = mean_cumulative(failures, watched=watched)
    row = list(made.age).index(age)
    return tuple(float(column[row]) for column in (made.mean, made.standard_error, made.lower, made.upper))


def both(failures: Sequence[Sequence[float]], watched: Sequence[float]) -> tuple[TrendTests, PowerLaw]:
    tests, law = trend_tests(failures, watched=watched), power_law(failures, watched=watched)
    assert tests is not None
    assert law is not None
    return tests, law


def repairs(name: str, watched: float) -> tuple[TrendTests, PowerLaw]:
    times = [float(row["t"]) for row in slow.rows("repair_time_sets.csv") if row["set"] == name]
    return both([times], [watched])


def engines_trend() -> tuple[float, ...]:
    tests, law = both(*engines())
    return law.shape, law.scale, law.likelihood_ratio, law.p, tests.laplace, tests.laplace_p


def nist_trend() -> tuple[TrendTests, PowerLaw]:
    return repairs("nist_apr_10", 1500.0)


def less_bias(law: PowerLaw, failures: int) -> float:
    """Shape of one watch that ended by time, its bias taken out."""
    return law.shape * (failures - 1) / failures


def nist_modified() -> tuple[float, ...]:
    """Growth 1 - b, b, and the factor a of the mean number a t^b."""
    shape = less_bias(nist_trend()[1], 10)
    return 1.0 - shape, shape, 10 / 1500.0**shape


def nist_days_between() -> tuple[float, ...]:
    """Time between failures at the end, and its 80 % limits by the handbook's normal approximation."""
    mean, square = 1500.0 / (10 * less_bias(nist_trend()[1], 10)), NORMAL_80**2
    most = 10 + square / 4.0 + np.sqrt(10 * square / 2.0 + square**2 / 16.0)
    least = 10 - NORMAL_80 * np.sqrt(10 / 2.0)
    return mean, 90 * mean / most**2, 90 * mean / least**2


def appendix_c() -> tuple[float, ...]:
    """Shape, the same less its bias, the rate's factor scale^-shape, time between failures, distance of the powers."""
    law, failures = repairs("milhdbk189_1981_appC", 300.0)[1], 27
    times = [float(row["t"]) for row in slow.rows("repair_time_sets.csv") if row["set"] == "milhdbk189_1981_appC"]
    share = (np.sort(times) / 300.0) ** less_bias(law, failures)
    away = share - (np.arange(failures) + 0.5) / failures
    distance = float((away**2).sum()) + 1.0 / (12 * failures)
    between = 300.0 / (failures * law.shape)
    return law.shape, less_bias(law, failures), law.scale**-law.shape, between, distance


def modarres() -> tuple[float, ...]:
    """Watched until its last failure: that one is no failure in the watch for Laplace's test."""
    times = [float(row["t"]) for row in slow.rows("repair_time_sets.csv") if row["set"] == "modarres_ex5_11"]
    tests, _ = both([times[:-1]], [times[-1]])
    law = both([times], [times[-1]])[1]
    return tests.laplace, law.shape, law.scale**-law.shape


def nist_heights() -> tuple[float, ...]:
    """Log-likelihood of a Weibull, then AIC of a Weibull and a lognormal, two parameters each."""
    heights = weibull(small_set("nist_8_4_1_3"))[2], lognormal(small_set("nist_8_4_1_3"))[2]
    return heights[0], *(4.0 - 2.0 * height for height in heights)


def nist_mean() -> tuple[float, ...]:
    fit = fit_lifetimes(small_set("nist_8_4_1_3"), family=Family.WEIBULL)[0]
    assert fit.lifetime is not None
    return (float(fit.lifetime.mean),)


def shock_mu_sigma() -> tuple[float, ...]:
    """Both, then their standard errors; sigma is 1 / shape."""
    scale, shape, _ = weibull(shock_absorber())
    of_log_scale, of_log_shape = curvature_errors(shock_absorber())
    return float(np.log(scale)), 1.0 / shape, of_log_scale, of_log_shape / shape


def cage_b10() -> tuple[float, ...]:
    fit = fit_lifetimes(bearing_cage(), family=Family.WEIBULL)[0]
    assert fit.lifetime is not None
    return fit.lifetime.scale, fit.lifetime.shape, fit.lifetime.quantile(0.1)


def cage_expected() -> tuple[float, ...]:
    """Of the 1697 still running, in the next 300 h."""
    cages = bearing_cage()
    fit = fit_lifetimes(cages, family=Family.WEIBULL)[0]
    assert fit.lifetime is not None
    running = cages.lower[np.isinf(cages.upper)]
    assert len(running) == 1697
    return (float(failure_probability(fit.lifetime, age=running, days=300.0).sum()),)


def cage_given_shape() -> tuple[float, ...]:
    """A Weibull of known shape is an exponential in age^shape: scales, then B10 lives, at 1.5, 2 and 3."""
    cages, scales, tenths = bearing_cage(), [], []
    for shape in (1.5, 2.0, 3.0):
        bent = lives_of_one_sample(lower=cages.lower**shape, upper=cages.upper**shape)
        fit = fit_lifetimes(bent, family=Family.EXPONENTIAL)[0]
        assert fit.lifetime is not None
        scales.append(fit.lifetime.scale ** (1.0 / shape))
        tenths.append(fit.lifetime.quantile(0.1) ** (1.0 / shape))
    return *scales, *tenths


def demonstration_size() -> tuple[float, ...]:
    """Fewest lives to 1 without a failure that show a survival of 0.999 at 1, with 95 % confidence and shape 1."""

    def shown(lives: int) -> float:
        running = lives_of_one_sample(lower=np.ones(lives), upper=np.full(lives, np.inf))
        return float(np.exp(-1.0 / scale_without_failures(running, shape=np.ones(1), confidence=0.95)[0]))

    return (next(lives for lives in range(2900, 3100) if shown(lives) >= 0.999),)


def by_ranks(lives: Lives) -> tuple[np.ndarray, np.ndarray]:
    """Logs of failure ages, and of -log(1 - median rank): Johnson's ranks, Benard's approximation; none of it ours."""
    failed = np.isfinite(lives.upper)
    order = np.lexsort((~failed, lives.lower))
    ages, size, rank, ranks = lives.lower[order], len(order), 0.0, []
    for place in np.flatnonzero(failed[order]):
        rank += (size + 1 - rank) / (1 + size - place)
        ranks.append((rank - 0.3) / (size + 0.4))
    return np.log(ages[failed[order]]), np.log(-np.log1p(-np.array(ranks)))


def slope_on_age() -> tuple[float, ...]:
    """Shape by least squares of the ranks on the ages."""
    age, rank = by_ranks(small_set("nist_8_4_1_3"))
    return (float(np.polyfit(age, rank, 1)[0]),)


def age_on_rank() -> tuple[float, ...]:
    """Shape and scale by least squares of the ages on the ranks."""
    age, rank = by_ranks(small_set("nwh_fig2_5"))
    slope, level = np.polyfit(rank, age, 1)
    return 1.0 / float(slope), float(np.exp(level))


def growing_gaps(times: Sequence[float]) -> int:
    """Pairs of gaps of which the later one is the longer."""
    gaps = np.diff([0.0, *times])
    return int(np.triu(gaps[None, :] > gaps[:, None], 1).sum())


def nist_reversals() -> tuple[float, ...]:
    return (
        growing_gaps([float(row["t"]) for row in slow.rows("repair_time_sets.csv") if row["set"] == "nist_apr_10"]),
    )


def first_plant() -> tuple[float, ...]:
    rows = [row for row in slow.rows("heat_exchanger.csv") if row["plant"] == "Plant1"]
    count = [int(row["count"]) for row in rows]
    lower = np.repeat([0.0 if row["event"] == "Left" else float(row["lower"]) for row in rows], count)
    upper = np.repeat([np.inf if row["event"] == "Right" else float(row["upper"]) for row in rows], count)
    return tuple(failed_by_age(lives_of_one_sample(lower=lower, upper=upper)).failed.tolist())


CHECKS: dict[str, Callable[[], Sequence[float]]] = {
    "valve seats: engines, replacements": engines_counted,
    "valve seats: at 61 days": lambda: engines_at(61.0),
    "valve seats: at 98 days": lambda: engines_at(98.0),
    "valve seats: at 404 days": lambda: engines_at(404.0),
    "valve seats: at 573 days": lambda: engines_at(573.0)[:2],
    "valve seats: at 653 days": lambda: engines_at(653.0),
    "valve seats: power law and Laplace": engines_trend,
    "NIST 8.4.1.3: Weibull": lambda: weibull(small_set("nist_8_4_1_3"))[:2],
    "NIST 8.4.1.3: log-Wald limits": lambda: (
        *log_wald(small_set("nist_8_4_1_3"))[2:],
        *log_wald(small_set("nist_8_4_1_3"))[:2],
    ),
    "NIST 8.4.1.3: log-likelihood, AIC": nist_heights,
    "NIST 8.4.1.3: rank regression": slope_on_age,
    "NIST 8.4.1.3: mean": nist_mean,
    "NIST repairs: MIL-HDBK-189": lambda: (nist_trend()[0].mil_hdbk_189, nist_trend()[0].mil_hdbk_189_p),
    "NIST repairs: reversals": nist_reversals,
    "NIST repairs: Laplace": lambda: (nist_trend()[0].laplace, nist_trend()[0].laplace_p),
    "NIST repairs: modified power law": nist_modified,
    "NIST repairs: time between failures": nist_days_between,
    "NIST repairs: power law": lambda: (nist_trend()[1].shape,),
    "MIL-HDBK-189 appendix C: power law": appendix_c,
    "Modarres 5.11: Laplace, power law": modarres,
    "shock absorber: mu, sigma": shock_mu_sigma,
    "shock absorber: Weibull": lambda: (*weibull(shock_absorber())[:2], *log_wald(shock_absorber())),
    "bearing cage: Weibull, B10": cage_b10,
    "bearing cage: expected failures": cage_expected,
    "bearing cage: given shape": cage_given_shape,
    "ball bearings: Weibull, lognormal": lambda: (*weibull(ball_bearings()), *lognormal(ball_bearings())),
    "zero failures: size of a demonstration": demonstration_size,
    "heat exchanger: Weibull": lambda: weibull(heat_exchanger()),
    "heat exchanger, plant 1: share failed": first_plant,
    "New Weibull Handbook C.5": lambda: weibull(small_set("nwh_c5"))[1::-1],
    "New Weibull Handbook figure 2-5": lambda: weibull(small_set("nwh_fig2_5"))[1::-1],
    "New Weibull Handbook figure 2-5: rank regression": age_on_rank,
    "Channing House: Weibull": lambda: weibull(all_residents()),
    "Channing House: lognormal": lambda: lognormal(all_residents()),
    "Channing House, entry ignored": lambda: weibull(new_at_entry())[:2],
    "Channing House: men, women": lambda: (*weibull(channing_house("1"))[:2], *weibull(channing_house("2"))[:2]),
}


@pytest.mark.parametrize(
    "row",
    [row for row in table() if row["check"]],
    ids=lambda row: f"item {row['item']}: {row['check']} [{row['status']}; {row['source']}]",
)
def test_the_value_of_the_table_is_met(row: dict[str, str]) -> None:
    made = CHECKS[row["check"]]()
    expected = [float(value) for value in row["expected"].split()]
    within = [float(value) for value in row["within"].split()]
    assert len(made) == len(expected) == len(within)
    for ours, value, distance in zip(made, expected, within, strict=True):
        assert ours == pytest.approx(value, rel=1e-12, abs=distance * 1.0000001)


def test_every_row_is_checked() -> None:
    rows = table()
    assert len(rows) == 36
    assert {row["check"] for row in rows} == set(CHECKS)


@pytest.mark.parametrize(
    ("name", "shape", "scale"), [("nist_8_4_1_3", 1.457519, None), ("nwh_fig2_5", 2.024259, 94.997943)]
)
def test_our_intervals_hold_what_rank_regression_gives(name: str, shape: float, scale: float | None) -> None:
    """The product has no rank regression; a published estimate by it lies within the likelihood-ratio limits."""
    lives = small_set(name)
    (made,) = likelihood_intervals(lives, fit_lifetimes(lives, family=Family.WEIBULL), level=0.9)
    assert made is not None
    assert made.shape.lower is not None
    assert made.shape.upper is not None
    assert made.shape.lower < shape < made.shape.upper
    assert made.shape.estimate != pytest.approx(shape, rel=0.05)  # it is another estimate
    if scale is not None:
        assert made.scale.lower is not None
        assert made.scale.upper is not None
        assert made.scale.lower < scale < made.scale.upper


def test_reversals_and_our_trend_tests_see_the_same_direction() -> None:
    """33 of 45 pairs of gaps grow where 22.5 would by chance: failures come more rarely, as both tests of ours say."""
    tests, law = nist_trend()
    assert tests.laplace < 0.0
    assert tests.mil_hdbk_189 > 2 * tests.failures
    assert law.shape < 1.0
