"""From fits to how sure they are: likelihood-ratio intervals of each class's own maximum, in days and as chances."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.fitting import Fit
from forecasting.intervals import Interval, Intervals, likelihood_intervals, shape_median_ratio, survival_band
from forecasting.lives import Lives
from forecasting.pooling import InUse

Row = dict[str, object]
LEVEL = 0.9
SURVIVAL_DAYS = (365, 730, 1826)
"""Ages at which survival is told: 1, 2 and 5 years."""
BAND_POINTS = 9


@dataclass(frozen=True, kw_only=True)
class Sureness:
    """What is stored of how sure the fit of one class and item is.

    Parameters
    ----------
    intervals : dict
        Method, level, and an interval of each quantity.
    band : list of [age in days, lower limit, upper limit]
        Pointwise limits of the share failed, for the plot.
    """

    intervals: Row
    band: list[list[float]]


def _round6(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.6g}")


def _ends(interval: Interval) -> Row:
    """Lay out one interval."""
    return {
        "estimate": _round6(interval.estimate),
        "lower": _round6(interval.lower),
        "upper": _round6(interval.upper),
        "reason": interval.reason or None,
    }


def _laid_out(fit: Fit, found: Intervals | None) -> Row:
    """Lay out the intervals of one fit, or why there are none."""
    if found is None:
        return {"method": None, "level": LEVEL, "reason": fit.reason}
    return {
        "method": found.method,
        "level": found.level,
        "family": None if fit.lifetime is None else fit.lifetime.family.value,
        "scale_days": _ends(found.scale),
        "shape": _ends(found.shape),
        "b10_days": _ends(found.b10),
        "median_days": _ends(found.median),
        "mean_days": _ends(found.mean),
        "survival": [{"age_days": age} | _ends(one) for age, one in zip(SURVIVAL_DAYS, found.survival, strict=True)],
        "mle_shape_median_ratio": _round6(shape_median_ratio(fit.failures)),
        "reason": None,
    }


def _ages(one: InUse, lives: Lives, sample: int) -> FloatArray:
    """Ages the band is drawn at, shape (BAND_POINTS,): those a plot shows."""
    own = lives.sample == sample
    ended = lives.upper[own & np.isfinite(lives.upper)]
    known = [one.lifetime, None if one.fit is None else one.fit.lifetime]
    early = [lifetime.quantile(0.02) for lifetime in known if lifetime is not None]
    last = max(2.0, 1.2 * float(max(lives.lower[own].max(initial=1.0), ended.max(initial=1.0))))
    return np.geomspace(max(0.5, min([last, *early, *ended]) / 1.5), last, BAND_POINTS)


def _drawn(ages: FloatArray, band: FloatArray) -> list[list[float]]:
    """Share failed between its limits, age by age; nothing where a limit isn't known."""
    return [
        [float(f"{value:.4g}") for value in (age, 1.0 - upper, 1.0 - lower)]
        for age, (_, lower, upper) in zip(ages, band, strict=True)
        if not np.isnan([lower, upper]).any()
    ]


def how_sure(lifetimes: Sequence[InUse], lives: Lives) -> Mapping[tuple[str, str], Sureness]:
    """Say how sure the fit of every class and item by itself is.

    Parameters
    ----------
    lifetimes : sequence of InUse
        What the forecast uses, the fits among it.
    lives : Lives
        Of the whole plant, in days.

    Returns
    -------
    mapping from (service class, maintainable item) to Sureness
        Of those with lives.
    """
    used = {(one.service_class, one.item): one for one in lifetimes if one.fit is not None}
    kept = [place for place, sample in enumerate(lives.samples) if sample in used]
    if not kept:
        return {}
    own = lives.of_samples(kept)
    fits = [fit for sample in own.samples if (fit := used[sample].fit) is not None]
    found = likelihood_intervals(own, fits, level=LEVEL, ages=SURVIVAL_DAYS)
    ages = np.stack([_ages(used[sample], own, place) for place, sample in enumerate(own.samples)])
    bands = survival_band(own, fits, ages=ages, level=LEVEL)
    return {
        sample: Sureness(intervals=_laid_out(fit, intervals), band=_drawn(*drawn))
        for sample, fit, intervals, *drawn in zip(own.samples, fits, found, ages, bands, strict=True)
    }
