"""From lives to the share failed by age, no lifetime distribution assumed."""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from forecasting.arrays import FloatArray, IntArray, check
from forecasting.errors import InsufficientData, NoConvergence
from forecasting.lives import Lives

__all__ = ["FailedByAge", "dies_out_at", "failed_by_age", "steady_age"]

SMALLEST_MOVE, SMALLEST_GAIN = 1e-10, 1e-11
"""The climb ends where two steps move no chance by more, or raise the log-likelihood by no more."""
EDGE = 1e-7
"""A chance of failing this near to 0 or 1 is 0 or 1: the climb only nears an edge."""
MOST_STEPS = 5_000
LARGEST_CHANCE = 1.0 - 1e-9
"""On the climb, so that something always goes on."""
LARGEST_SPREAD = 600.0
SMALLEST_SURVIVAL = -600.0
"""Logarithm; below it nothing can be computed."""


@dataclass(frozen=True, kw_only=True)
class FailedByAge:
    """Share failed by age of those that survive to `survived_to`, with pointwise limits.

    Parameters
    ----------
    survived_to : float [days]
        Shares are of those alive at this age; 0: of all.
    begin, age : float array, shape (m,) [days]
        Failures of a step fell in (begin, age]; equal: on that age.
    at_risk, failures : float array, shape (m,) [lives]
        Under watch and not failed at the step; failed in it. Expected numbers where lives are interval-censored.
    failed, lower, upper : float array, shape (m,) [1]
        Share failed by `age`, and its limits; limits are NaN from where everything at risk failed.
    """

    survived_to: float
    begin: FloatArray
    age: FloatArray
    at_risk: FloatArray
    failures: FloatArray
    failed: FloatArray
    lower: FloatArray
    upper: FloatArray


@dataclass(frozen=True, kw_only=True)
class _Cells:
    """Where the likelihood can put failures, and which cells each life was sure to survive or may have ended in.

    A life was at risk through the cells first .. low - 1 and failed in one of low .. high - 1; high = low: it was still
    running.
    """

    begin: FloatArray
    age: FloatArray
    first: IntArray
    low: IntArray
    high: IntArray


def _cells(lives: Lives) -> _Cells:
    """Cut the ages at every entry, last sight and end; a place on the axis is 4 x rank, + 1 closes, + 2 is just after.

    Turnbull's innermost intervals; entries close intervals too (Frydman's correction for late entry).
    """
    failed = np.isfinite(lives.upper) & (lives.sharing == 1)
    ages = np.unique(np.concatenate([lives.entry, lives.lower, lives.upper[failed]]))
    exact = failed & (lives.lower == lives.upper)
    left = 4 * np.searchsorted(ages, lives.lower) + np.where(exact, 0, 2)
    right = 4 * np.searchsorted(ages, lives.upper) + 1
    enters = 4 * np.searchsorted(ages, lives.entry) + 1
    marks = np.unique(np.concatenate([left, right[failed], enters]))
    opens = np.isin(marks, left)
    starts = np.flatnonzero(opens[:-1] & ~opens[1:])
    cell_left, cell_right = marks[starts], marks[starts + 1]
    low = np.searchsorted(cell_left, left)
    return _Cells(
        begin=ages[cell_left // 4],
        age=ages[cell_right // 4],
        first=np.minimum(np.searchsorted(cell_left, enters), low),
        low=low,
        high=np.where(failed, np.searchsorted(cell_right, right, side="right"), low),
    )


def _over(start: IntArray, end: IntArray, weight: FloatArray, cells: int) -> FloatArray:
    """Sum weights over the lives whose range of cells holds each cell."""
    opened = np.bincount(start, weight, cells + 1)
    return np.cumsum(opened - np.bincount(end, weight, cells + 1))[:cells]


@dataclass(frozen=True, kw_only=True)
class _Step:
    """One step of self-consistency: where it leads, and how good the place it began at is."""

    chance: FloatArray
    at_risk: FloatArray
    failures: FloatArray
    log_likelihood: float


def _step(cells: _Cells, sure: FloatArray, chance: FloatArray) -> _Step:
    """Divide expected failures by expected lives at risk, cell by cell; late entry needs nothing more.

    Where no life is interval-censored the first step is the product-limit estimate.

    Raises
    ------
    InsufficientData
        If hardly anything could get to the later ages.
    """
    ended, chance = cells.high > cells.low, np.clip(chance, 0.0, LARGEST_CHANCE)
    low, high = cells.low[ended], cells.high[ended]
    passed = np.concatenate([[0.0], np.cumsum(np.log1p(-chance))])
    if passed[-1] < SMALLEST_SURVIVAL:
        raise InsufficientData("all under watch fail at too many ages while others enter later")
    survival = np.exp(passed)
    mass = survival[low] - survival[high]
    share = 1.0 / np.maximum(mass, np.finfo(np.float64).tiny)
    held = _over(low, high, share, len(chance))
    beyond = _over(low, high, share * survival[high], len(chance))
    failures = survival[:-1] * chance * held
    at_risk = sure + np.maximum(survival[:-1] * held - beyond, failures)
    return _Step(
        chance=np.divide(failures, at_risk, out=np.zeros(len(chance)), where=at_risk > 0),
        at_risk=at_risk,
        failures=failures,
        log_likelihood=float(sure @ np.log1p(-chance) + np.log(np.maximum(mass, 1e-300) / survival[low]).sum()),
    )


def _at_maximum(cells: _Cells) -> _Step:
    """Climb to the maximum: two plain steps, a leap along them, and back where the leap lost height (SQUAREM).

    Raises
    ------
    NoConvergence
        If the steps don't end.
    """
    sure = _over(cells.first, cells.low, np.ones(len(cells.low)), len(cells.age))
    now = _step(cells, sure, 1.0 / np.arange(len(cells.age) + 1.0, 1.0, -1.0))
    for _ in range(MOST_STEPS):
        one = _step(cells, sure, now.chance)
        two = _step(cells, sure, one.chance)
        moved, bent = one.chance - now.chance, two.chance - 2.0 * one.chance + now.chance
        gained = two.log_likelihood - now.log_likelihood
        if np.abs(moved).max(initial=0.0) <= SMALLEST_MOVE or 0.0 <= gained <= SMALLEST_GAIN:
            return two
        length = max(1.0, float(np.sqrt((moved @ moved) / max(float(bent @ bent), 1e-300))))
        # a chance that is once 0 stays 0, so a leap keeps a tenth of it
        aim = np.clip(now.chance + 2.0 * length * moved + length**2 * bent, 0.1 * two.chance, 1.0)
        leapt = _step(cells, sure, aim)
        now = leapt if leapt.log_likelihood >= two.log_likelihood else two
    raise NoConvergence(f"no share failed by age after {MOST_STEPS} steps")


def _information(cells: _Cells, chance: FloatArray, kept: IntArray) -> FloatArray:
    """Observed information on the hazards a = -log(1 - chance) of the kept cells, shape (kept, kept).

    A life that ended in some cells adds log(1 - exp(-s)), s the sum of their hazards, so its information on each pair
    of them is exp(-s) / (1 - exp(-s))^2.
    """
    ended = cells.high > cells.low
    ranges, lives = np.unique(np.stack([cells.low[ended], cells.high[ended]]), axis=1, return_counts=True)
    passed = np.concatenate([[0.0], np.cumsum(-np.log1p(-chance))])
    hazard = passed[ranges[1]] - passed[ranges[0]]
    weight = lives * np.exp(-hazard) / np.expm1(-hazard) ** 2
    holds = ((ranges[0][:, None] <= kept) & (kept < ranges[1][:, None])).astype(np.float64)  # shape (ranges, kept)
    return np.asarray((holds * weight[:, None]).T @ holds)


def _variances(cells: _Cells, step: _Step, kept: IntArray) -> FloatArray:
    """Variance of the cumulative hazard summed over the kept cells up to each; Greenwood's where lives are exact."""
    chance = np.minimum(step.chance, LARGEST_CHANCE)
    if (cells.high - cells.low <= 1).all():
        return np.cumsum(chance[kept] / ((1.0 - chance[kept]) * step.at_risk[kept]))
    everywhere = np.flatnonzero(step.chance > EDGE)
    inverse = np.linalg.pinv(_information(cells, chance, everywhere), hermitian=True)
    own = np.isin(everywhere, kept)
    return np.diag(np.cumsum(np.cumsum(inverse[np.ix_(own, own)], axis=0), axis=1)).copy()


def _quantile(level: float) -> float:
    """Two-sided standard normal quantile."""
    check(0.0 < level < 1.0, f"`level` must lie between 0 and 1, got {level!r}")
    return float(ndtri(0.5 + level / 2.0))


def failed_by_age(lives: Lives, *, survived_to: float = 0.0, level: float = 0.95) -> FailedByAge:
    """Share failed by age, no lifetime distribution assumed.

    The maximum of the likelihood over all distributions (Turnbull), entries late; where no life is interval-censored it
    is the product-limit estimate (Kaplan-Meier) and its limits are Greenwood's. Limits are symmetric on log(-log S).

    Parameters
    ----------
    lives : Lives [days]
        Of one sample. A failure whose item isn't said counts as a life still running at its lower age.
    survived_to : float [days]
        Give the share of those alive at this age: needed where late entry leaves few under watch at early ages, and all
        of them fail.
    level : float in (0, 1) [1]
        Of the limits, pointwise.

    Returns
    -------
    FailedByAge [1]
        One step per age or interval that holds failures; none without a failure.

    Raises
    ------
    InsufficientData
        If all under watch at some age fail while others enter later: nobody can be said to get there.
    InvalidInput
        If `lives` has several samples or an argument is out of range.

    References
    ----------
    Turnbull (1976), Journal of the Royal Statistical Society B 38:290-295; Frydman (1994), same journal 56:71-74;
    Klein & Moeschberger (2003), Survival Analysis, sections 4.2 to 4.6 and 5.2 (all from memory); values computed with
    other programs in tests/reference/SOURCES.md.

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> four = lives_of_one_sample(lower=[30.0, 50.0, 60.0, 80.0], upper=[30.0, np.inf, 60.0, np.inf])
    >>> failed_by_age(four).failed.round(3)
    array([0.25 , 0.625])
    """
    check(len(lives.samples) == 1, f"`lives` must be of one sample, got {len(lives.samples)}")
    check(survived_to >= 0.0, f"`survived_to` must not be negative, got {survived_to!r}")
    normal = _quantile(level)
    cells = _cells(lives)
    step = _at_maximum(cells)
    kept = np.flatnonzero((step.chance > EDGE) & (cells.begin >= survived_to) & (cells.age > survived_to))
    told = step.chance[kept] < 1.0 - EDGE
    stops = kept[~told]
    if len(stops) and ((lives.lower > cells.age[stops[0]]) | (lives.entry >= cells.age[stops[0]])).any():
        raise InsufficientData(
            f"all under watch at age {cells.age[stops[0]]:g} fail while others enter later: "
            f"give the share of those that survive to {cells.age[stops[0]]:g} or more"
        )
    hazard = np.cumsum(-np.log1p(-np.minimum(step.chance[kept], LARGEST_CHANCE)))
    error = np.where(told, np.sqrt(_variances(cells, step, kept)), 0.0)
    spread = np.exp(np.minimum(normal * error / hazard, LARGEST_SPREAD))
    return FailedByAge(
        survived_to=survived_to,
        begin=cells.begin[kept],
        age=cells.age[kept],
        at_risk=step.at_risk[kept],
        failures=step.failures[kept],
        failed=np.where(told, -np.expm1(-hazard), 1.0),
        lower=np.where(told, -np.expm1(-hazard / spread), np.nan),
        upper=np.where(told, -np.expm1(-hazard * spread), np.nan),
    )


def steady_age(lives: Lives) -> float:
    """Age from which shares failed can be trusted where lives enter late.

    The last age at which half or more of those under watch failed while twice as many were under watch later;
    early ages with one or two lives otherwise decide over all that follow.

    Parameters
    ----------
    lives : Lives [days]
        Of one sample.

    Returns
    -------
    float [days]
        For `failed_by_age`'s `survived_to`; 0 where no age stands out.

    Raises
    ------
    InvalidInput
        If `lives` has several samples.

    References
    ----------
    Klein & Moeschberger (2003), Survival Analysis, section 4.6 (conditioning on survival where the early risk set is
    small; from memory); the threshold of a half is ours.

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> steady_age(lives_of_one_sample(entry=[0.0, 40.0, 40.0], lower=[30.0, 60.0, 80.0], upper=[30.0, 60.0, np.inf]))
    30.0
    """
    check(len(lives.samples) == 1, f"`lives` must be of one sample, got {len(lives.samples)}")
    cells = _cells(lives)
    step = _at_maximum(cells)
    later = np.maximum.accumulate(step.at_risk[::-1])[::-1]
    early = np.flatnonzero((step.chance >= 0.5) & (later >= 2.0 * step.at_risk))
    return float(cells.age[early[-1]]) if len(early) else 0.0


def dies_out_at(lives: Lives, *, survived_to: float = 0.0) -> float:
    """Age at which all under watch fail while others enter later, so that no share failed can be told from there on.

    Parameters
    ----------
    lives : Lives [days]
        Of one sample.
    survived_to : float [days]
        Ages from here on only.

    Returns
    -------
    float [days]
        Infinite where there is no such age.

    References
    ----------
    Klein & Moeschberger (2003), Survival Analysis, section 4.6 (from memory).

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> dies_out_at(lives_of_one_sample(entry=[0.0, 40.0], lower=[30.0, 60.0], upper=[30.0, np.inf]))
    30.0
    """
    cells = _cells(lives)
    step = _at_maximum(cells)
    stops = cells.age[(step.chance >= 1.0 - EDGE) & (cells.begin >= survived_to) & (cells.age > survived_to)]
    early = [age for age in stops if ((lives.lower > age) | (lives.entry >= age)).any()]
    return float(min(early, default=np.inf))
