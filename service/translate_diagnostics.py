"""From lives and lifetimes to what speaks for or against a failure model: plot data, fit, rework; days and shares."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.early_repeats import EarlyRepeats, early_repeats
from forecasting.errors import ForecastingError
from forecasting.goodness_of_fit import GoodnessOfFit, goodness_of_fit
from forecasting.lifetimes import Lifetime
from forecasting.lives import Lives
from forecasting.nonparametric import FailedByAge, dies_out_at, failed_by_age, steady_age
from forecasting.pooling import InUse

Row = dict[str, object]
MOST_POINTS, LINE_POINTS = 60, 25
OBJECTS = 0.05
"""p-value below which a reader is told."""
FEWEST_REPEATS, LARGE_SHARE = 2, 0.1
"""Rework is warned of from so many, and from this share of renewals."""


@dataclass(frozen=True, kw_only=True)
class Diagnosis:
    """What is stored of the checks of one failure model, and what its reader is warned of."""

    details: Row
    warnings: tuple[str, ...]


def _digits(value: float) -> float | None:
    """Keep 4 significant digits, enough to draw; undefined is none."""
    return float(f"{value:.4g}") if np.isfinite(value) else None


def _line(lifetime: Lifetime | None, first: float, last: float) -> list[list[float | None]]:
    """Age and share failed along a lifetime, evenly spaced in log age."""
    if lifetime is None:
        return []
    ages = np.geomspace(first, last, LINE_POINTS)
    failed = -np.expm1(-lifetime.cumulative_hazard(ages))
    return [[_digits(age), _digits(share)] for age, share in zip(ages, failed, strict=True)]


def _positions(curve: FailedByAge) -> FloatArray:
    """Where a step is plotted: half-way up where failures are exact, at its end where they lie in an interval."""
    before = np.concatenate([[0.0], curve.failed[:-1]])
    return np.where(curve.begin == curve.age, (before + curve.failed) / 2.0, curve.failed)


def _points(curve: FailedByAge, lifetime: Lifetime | None) -> list[list[float | None]]:
    """Begin and end of each step, share failed, limits; shares of those that got to an age begin on the lifetime."""
    survived = 1.0 if lifetime is None else float(np.exp(-lifetime.cumulative_hazard(curve.survived_to)))
    columns = [curve.begin, curve.age, *(1.0 - survived * (1.0 - share) for share in (_positions(curve), curve.lower))]
    columns.append(1.0 - survived * (1.0 - curve.upper))
    if not len(curve.age):
        return []
    kept = np.unique(np.linspace(0, len(curve.age) - 1, MOST_POINTS).round().astype(np.int64))
    return [[_digits(float(column[place])) for column in columns] for place in kept]


def _span(lives: Lives, points: Sequence[Sequence[float | None]], used: Lifetime | None) -> tuple[float, float]:
    """Ages the lines are drawn between."""
    ages = [point[1] for point in points if point[1]]
    longest = float(lives.lower.max(initial=1.0))
    first = min([*ages, longest if used is None else used.quantile(0.02)])
    last = max([*ages, longest])
    return max(0.5, first / 1.5), max(2.0, 1.2 * last)


def _seen_before(lives: Lives, age: float) -> Lives:
    """Cut lives off half a day before an age: whole days after it are not looked at."""
    last = age - 0.5
    rows = np.flatnonzero(lives.entry < last)
    return Lives(
        samples=lives.samples,
        sample=lives.sample[rows],
        entry=lives.entry[rows],
        lower=np.minimum(lives.lower[rows], last),
        upper=np.where(lives.upper[rows] > last, np.inf, lives.upper[rows]),
        cause=lives.cause[rows],
    )


def _curve(lives: Lives) -> tuple[FailedByAge, float]:
    """Share failed between the ages at which enough were under watch, and the age it ends at if before the last."""
    begin = steady_age(lives)
    end = dies_out_at(lives, survived_to=begin)
    seen = lives if np.isinf(end) else _seen_before(lives, end)
    return failed_by_age(seen, survived_to=begin), end


def _plotted(one: InUse, lives: Lives, band: Sequence[Sequence[float]]) -> Row:
    """Lay out the probability plot of one failure model."""
    own = None if one.fit is None else one.fit.lifetime
    try:
        (curve, end), reason = _curve(lives), None
    except ForecastingError as error:
        curve, end, reason = None, np.inf, str(error)
    points = [] if curve is None else _points(curve, one.lifetime)
    span = _span(lives, points, one.lifetime)
    ranges = np.isfinite(lives.upper) & (lives.upper - lives.lower > 1.0)
    return {
        "method": "Turnbull" if ranges.any() else "Kaplan-Meier",
        "survived_to_days": 0.0 if curve is None else _digits(curve.survived_to),
        "seen_to_days": _digits(end),
        "points": points,
        "line": _line(one.lifetime, *span),
        "own_line": [] if own == one.lifetime else _line(own, *span),
        "band": [list(limits) for limits in band],
        "reason": reason,
    }


def _fit_told(fit: GoodnessOfFit | None) -> tuple[Row, tuple[str, ...]]:
    """Lay out the test of fit, and say it where it objects."""
    if fit is None:
        return {}, ()
    told: Row = {"fit_chi_squared": _digits(fit.statistic), "fit_freedom": fit.freedom, "fit_p": _digits(fit.p)}
    if fit.p >= OBJECTS:
        return told, ()
    worst = int(np.argmax(np.abs(fit.observed - fit.expected)))
    begin, end = fit.ages[worst : worst + 2]
    where = f"after {begin:.0f} days" if np.isinf(end) else f"between {begin:.0f} and {end:.0f} days"
    warning = (
        f"The fitted curve doesn't describe these lives well (p = {fit.p:.2g}): most of all {where}, "
        f"{fit.observed[worst]:.3g} failures where it leads to expect {fit.expected[worst]:.3g}."
    )
    return told, (warning,)


def _rework_told(rework: EarlyRepeats) -> tuple[Row, tuple[str, ...]]:
    """Lay out the early repeats, and say it where they are many."""
    told: Row = {
        "repeats_within_90_days": rework.repeats,
        "repeats_share_of_renewals": _digits(rework.share),
    }
    if rework.repeats < FEWEST_REPEATS or rework.share < LARGE_SHARE:
        return told, ()
    warning = (
        f"{rework.repeats} of {rework.renewals} renewals failed again within 90 days: look at the work done and the "
        "parts used before believing in wear. They are counted in the fit."
    )
    return told, (warning,)


def _of_sample(lives: Lives, sample: tuple[str, str]) -> Lives:
    """Lives of one sample; a failure that may have been another item's is told from then on as still running."""
    rows = np.flatnonzero(lives.sample == lives.samples.index(sample))
    return Lives(
        samples=(sample,),
        sample=np.zeros(len(rows), dtype=np.int64),
        entry=lives.entry[rows],
        lower=lives.lower[rows],
        upper=np.where(lives.sharing[rows] == 1, lives.upper[rows], np.inf),
        cause=lives.cause[rows],
    )


def diagnose(one: InUse, lives: Lives, *, band: Sequence[Sequence[float]] = ()) -> Diagnosis:
    """Check a failure model against the lives it rests on.

    Parameters
    ----------
    one : InUse
        The model.
    lives : Lives
        Of the whole plant, in days.
    band : sequence of (age, lower limit, upper limit)
        Of the share failed by the class's own fit.

    Returns
    -------
    Diagnosis
        Of nothing, where this class has no lives.
    """
    sample = (one.service_class, one.item)
    if one.fit is None or sample not in lives.samples:
        return Diagnosis(details={}, warnings=())
    own = _of_sample(lives, sample)
    fitted = one.fit.lifetime
    try:
        fit = None if fitted is None else goodness_of_fit(own, fitted)
    except (ForecastingError, np.linalg.LinAlgError):
        fit = None
    checked, misfit = _fit_told(fit)
    repeated, rework = _rework_told(early_repeats(own)[0])
    return Diagnosis(details=checked | repeated | {"plot": _plotted(one, own, band)}, warnings=misfit + rework)
