"""Which family of lifetimes an item follows, told by all its classes together."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from forecasting.families import Family

__all__ = ["FamilyChoice", "choose_family"]

ENOUGH = 20
"""Failures below which nothing is chosen: Weibull (common practice, no source)."""
CLEAR = 2.0 * float(np.log(3.0 * 0.95 / 0.05))
"""AIC by which another family must beat Weibull, 8.1: with one half of the belief on Weibull and a sixth on each other,
it is then 19 times as credible."""
PARAMETERS = {Family.EXPONENTIAL: 2, Family.WEIBULL: 4, Family.LOGNORMAL: 4, Family.LOGLOGISTIC: 4}
"""Mean and spread among classes, of log scale and of log shape where there is one."""


@dataclass(frozen=True, kw_only=True)
class FamilyChoice:
    """The family of one item.

    Parameters
    ----------
    family : Family [word]
        The one it is forecast with.
    failures : int [failures]
        In all its classes.
    runner_up : Family or None [word]
        The best of the others; None: too few failures to compare.
    difference : float or None [1]
        AIC of the runner-up less that of the chosen one; negative where Weibull was kept although another is better by
        less than 8.1.
    """

    family: Family
    failures: int
    runner_up: Family | None
    difference: float | None


def choose_family(log_evidence: Mapping[Family, float], *, failures: int) -> FamilyChoice:
    """Choose the family of an item by AIC, the classes' own parameters integrated out.

    AIC = 2 x (parameters of the pool) - 2 x log evidence. Own fits of each class would let tiny classes decide: with
    two failures each, their maxima favour the wrong family more often than not.

    Parameters
    ----------
    log_evidence : mapping from Family to float [1]
        Log of the likelihood of all its lives, integrated over the classes' parameters.
    failures : int [failures]
        In all its classes.

    Returns
    -------
    FamilyChoice [words]
        Weibull unless another is clearly better.

    References
    ----------
    Akaike (1974), IEEE Transactions on Automatic Control 19:716-723 (from memory); DEVELOPERS.md, "Borrowed strength".

    Examples
    --------
    >>> close = {Family.EXPONENTIAL: -70.0, Family.WEIBULL: -60.0, Family.LOGNORMAL: -59.5, Family.LOGLOGISTIC: -61.0}
    >>> choice = choose_family(close, failures=30)
    >>> choice.family.value, choice.runner_up.value, choice.difference
    ('weibull', 'lognormal', -1.0)
    """
    if failures < ENOUGH:
        return FamilyChoice(family=Family.WEIBULL, failures=failures, runner_up=None, difference=None)
    aic = {family: 2.0 * PARAMETERS[family] - 2.0 * value for family, value in log_evidence.items()}
    lowest = min(aic, key=lambda family: aic[family])
    chosen = lowest if aic[lowest] < aic[Family.WEIBULL] - CLEAR else Family.WEIBULL
    others = {family: value for family, value in aic.items() if family is not chosen}
    runner_up = min(others, key=lambda family: others[family])
    return FamilyChoice(
        family=chosen, failures=failures, runner_up=runner_up, difference=float(others[runner_up] - aic[chosen])
    )
