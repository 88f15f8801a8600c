"""From lives and a fitted lifetime to a test of whether that lifetime describes them."""

from dataclasses import dataclass, field

import numpy as np
from scipy.special import chdtrc

from forecasting.arrays import FloatArray, check
from forecasting.lifetimes import Lifetime
from forecasting.lives import Lives

__all__ = ["GoodnessOfFit", "goodness_of_fit"]

FAILURES_PER_PART = 5
"""Failures expected in each part of the ages; with fewer the chi-squared distribution isn't near enough."""
FEWEST_PARTS, MOST_PARTS = 3, 6
LEAST_INFORMATION = 1.5
"""Failures: ways in which the parts may differ that the lives tell less of are left out."""
STEP = 1e-2
WIDTH = 1e-4
"""Share of an age by which an exact failure is taken to either side."""


@dataclass(frozen=True, kw_only=True)
class GoodnessOfFit:
    """Whether the hazard of a fitted lifetime is right at all ages.

    Parameters
    ----------
    statistic : float [1]
        Chi-squared with `freedom` degrees of freedom if the lifetime is of the right family.
    freedom : int [1]
        Ways in which the parts may differ from the lifetime, as far as the lives tell them: parts less one at most.
    p : float [1]
        Chance of a statistic as large or larger.
    ages : float array, shape (parts + 1,) [days]
        Edges of the parts; the last is infinite.
    observed, expected : float array, shape (parts,) [failures]
        Failures in each part, shared out where an interval lies across an edge; what the lifetime leads to expect of
        the time watched in it.
    """

    statistic: float
    freedom: int
    p: float
    ages: FloatArray
    observed: FloatArray
    expected: FloatArray


@dataclass(frozen=True, kw_only=True)
class _Alternative:
    """Lives under a lifetime whose hazard is raised in parts of the ages, and whose log age is moved and stretched.

    Moving and stretching are what the location and scale of any log-location-scale family do, so their estimation is
    allowed for without knowing the family.
    """

    lifetime: Lifetime
    ages: FloatArray
    entry: FloatArray
    lower: FloatArray
    upper: FloatArray
    centre: float
    known: dict[tuple[float, float], list[FloatArray]] = field(default_factory=dict)

    def hazards(self, age: FloatArray, moved: float, stretched: float) -> FloatArray:
        """Cumulative hazard by part up to each age, shape (lives, parts)."""
        inside = np.clip(age[:, None], self.ages[:-1], self.ages[1:])
        edges = np.concatenate([inside, np.broadcast_to(self.ages[:-1], inside.shape)])
        warped = self.centre * (edges / self.centre) ** np.exp(stretched) * np.exp(moved)
        reached = self.lifetime.cumulative_hazard(warped)
        return reached[: len(age)] - reached[len(age) :]

    def log_likelihood(self, parameters: FloatArray) -> float:
        """Log-likelihood; parameters are the log factors of the parts, then moved and stretched."""
        factors = np.exp(parameters[:-2])
        failed = np.isfinite(self.upper)
        moved, stretched = parameters[-2:].tolist()
        if (moved, stretched) not in self.known:
            ages = (self.entry, self.lower, self.upper[failed])
            self.known[moved, stretched] = [self.hazards(age, moved, stretched) for age in ages]
        entered, lower, upper = (reached @ factors for reached in self.known[moved, stretched])
        return float((entered - lower).sum() + np.log(-np.expm1(lower[failed] - upper)).sum())

    def observed(self) -> FloatArray:
        """Failures by part, those of an interval shared out by the lifetime itself."""
        failed = np.isfinite(self.upper)
        pieces = self.hazards(self.upper[failed], 0.0, 0.0) - self.hazards(self.lower[failed], 0.0, 0.0)
        passed = np.cumsum(pieces, axis=1)
        chance = np.exp(pieces - passed) * -np.expm1(-pieces)
        return np.asarray((chance / chance.sum(axis=1, keepdims=True)).sum(axis=0))


def _derivatives(alternative: _Alternative, count: int) -> tuple[FloatArray, FloatArray]:
    """Slope and curvature of the log-likelihood where nothing is raised, moved or stretched; central differences."""
    step = np.eye(count) * STEP
    up = np.array([alternative.log_likelihood(one) for one in step])
    down = np.array([alternative.log_likelihood(-one) for one in step])
    middle = alternative.log_likelihood(np.zeros(count))
    curvature = np.diag((up + down - 2.0 * middle) / STEP**2)
    for row in range(count):
        for column in range(row):
            both, apart = step[row] + step[column], step[row] - step[column]
            ends = [alternative.log_likelihood(one) for one in (both, -both, apart, -apart)]
            curvature[row, column] = curvature[column, row] = (ends[0] + ends[1] - ends[2] - ends[3]) / (4.0 * STEP**2)
    return (up - down) / (2.0 * STEP), curvature


def _edges(lifetime: Lifetime, lives: Lives, parts: int) -> FloatArray:
    """Cut the ages where the lifetime expects the same number of failures in each part."""
    last = np.where(np.isfinite(lives.upper), lives.upper, lives.lower)
    grid = np.unique(np.quantile(last, np.linspace(0.0, 1.0, 201)))
    reached = np.minimum(grid[:, None], last), np.minimum(grid[:, None], lives.entry)
    expected = (lifetime.cumulative_hazard(reached[0]) - lifetime.cumulative_hazard(reached[1])).sum(axis=1)
    inner = np.interp(np.arange(1, parts) / parts * expected[-1], expected, grid)
    ranges = np.isfinite(lives.upper) & (lives.lower < lives.upper)
    if 2 * np.count_nonzero(ranges) > np.count_nonzero(np.isfinite(lives.upper)):
        # within the intervals of a common inspection day nothing can be told apart
        ends = np.unique(np.concatenate([lives.lower[ranges], lives.upper[ranges]]))
        inner = ends[np.abs(ends[:, None] - inner).argmin(axis=0)]
    return np.unique(np.concatenate([[0.0], inner, [np.inf]]))


def goodness_of_fit(lives: Lives, lifetime: Lifetime, *, free: int = 2) -> GoodnessOfFit | None:
    """Test whether a lifetime fitted to these lives has the right hazard at all ages.

    Score test of factors on the hazard, one for each part of the ages that should hold as many failures as the others,
    with the estimated parameters allowed for: cumulative hazards at the ends of lives (Cox-Snell residuals) are
    compared with the time watched, so censoring and late entry need nothing more.

    Parameters
    ----------
    lives : Lives [days]
        Of one sample. A failure whose item isn't said counts as a life still running at its lower age.
    lifetime : Lifetime [days]
        Their maximum-likelihood estimate, of a log-location-scale family.
    free : int [parameters]
        Estimated: 2, or 1 if the shape was given.

    Returns
    -------
    GoodnessOfFit or None [1]
        None below 15 failures, or where intervals are too wide: too little to tell.

    Raises
    ------
    InvalidInput
        If `lives` has several samples or `free` is neither 1 nor 2.

    References
    ----------
    Cox & Snell (1968), Journal of the Royal Statistical Society B 30:248-275; Hjort (1990), Annals of Statistics
    18:1221-1258 (chi-squared tests of a parametric hazard; both from memory). Its size is simulated in the tests.

    Examples
    --------
    >>> from forecasting.lifetimes import Weibull
    >>> from forecasting.lives import lives_of_one_sample
    >>> ages = 100.0 * -np.log1p(-np.arange(0.5, 40.0) / 40.0)
    >>> goodness_of_fit(lives_of_one_sample(lower=ages, upper=ages), Weibull(scale=99.9, shape=1.02)).p > 0.9
    True
    """
    check(len(lives.samples) == 1, f"`lives` must be of one sample, got {len(lives.samples)}")
    check(free in {1, 2}, f"`free` must be 1 or 2, got {free!r}")
    failed = np.isfinite(lives.upper) & (lives.sharing == 1)
    most = min(MOST_PARTS, int(np.count_nonzero(failed)) // FAILURES_PER_PART)
    exact = failed & (lives.upper <= lives.lower * (1.0 + 2.0 * WIDTH))
    middle = (lives.lower + np.where(exact, lives.upper, lives.lower)) / 2.0
    if most < FEWEST_PARTS:
        return None
    alternative = _Alternative(
        lifetime=lifetime,
        ages=_edges(lifetime, lives, most),
        entry=lives.entry,
        lower=np.where(exact, np.maximum(lives.entry, middle * (1.0 - WIDTH)), lives.lower),
        upper=np.where(exact, middle * (1.0 + WIDTH), np.where(failed, lives.upper, np.inf)),
        centre=lifetime.quantile(0.5),
    )
    return _compared(alternative, free=free)


def _compared(alternative: _Alternative, *, free: int) -> GoodnessOfFit | None:
    """Compare the slope in the factors with its variance, that of the estimated parameters taken out."""
    count = len(alternative.ages) - 2
    if count < FEWEST_PARTS - 1:
        return None
    # one part is left out: all of them together are moved ages
    tested, nuisance = np.arange(count), np.arange(count + 1, count + 1 + free)
    slope, curvature = _derivatives(alternative, count + 3)
    between = -curvature[np.ix_(tested, nuisance)]
    lever = between @ np.linalg.inv(-curvature[np.ix_(nuisance, nuisance)])
    variance = -curvature[np.ix_(tested, tested)] - lever @ between.T
    information, directions = np.linalg.eigh(variance)
    told = information >= LEAST_INFORMATION
    if not told.any():
        return None
    left = directions.T @ (slope[tested] - lever @ slope[nuisance])
    statistic, freedom = float((left[told] ** 2 / information[told]).sum()), int(np.count_nonzero(told))
    observed = alternative.observed()
    return GoodnessOfFit(
        statistic=statistic,
        freedom=freedom,
        p=float(chdtrc(freedom, statistic)),
        ages=alternative.ages,
        observed=observed,
        expected=observed - slope[: count + 1],
    )
