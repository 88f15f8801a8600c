"""What failures add to a log-likelihood: hazards or chances in, their logarithms shared out among masked lives out."""

from dataclasses import dataclass

import numpy as np

from forecasting.arrays import BoolArray, FloatArray
from forecasting.families import SURE
from forecasting.life_columns import LifeColumns

__all__ = ["ExactTerms", "IntervalTerms", "exact_terms", "interval_terms"]


@dataclass(frozen=True, kw_only=True)
class ExactTerms:
    """Log(sum of h) of the causes whose day is known.

    Parameters
    ----------
    share : float array, shape (exact lives,) [1]
        Of each life in the hazard of its cause; 1 unless it is masked.
    value : float array, shape (exact lives,) [1]
        The logarithm, shared out likewise.
    """

    share: FloatArray
    value: FloatArray


@dataclass(frozen=True, kw_only=True)
class IntervalTerms:
    """Log(1 - exp(-d)) of the causes that struck in an interval, d the sum of H(upper) - H(lower).

    Parameters
    ----------
    value : float array, shape (interval lives,) [1]
        The logarithm, shared out evenly.
    first, second : float array, shape (interval lives,) [1]
        Its derivatives by d.
    wide : bool array, shape (interval lives,) [yes or no]
        Whether the hazard tells the ends of the life's interval apart.
    """

    value: FloatArray
    first: FloatArray
    second: FloatArray
    wide: BoolArray


def exact_terms(columns: LifeColumns, log_hazard: FloatArray) -> ExactTerms:
    """Share out log(sum of h) of the causes whose day is known.

    Parameters
    ----------
    columns : LifeColumns [days]
        The lives.
    log_hazard : float array, shape (exact lives,) [log of 1 / days]
        Of each life on that day.

    Returns
    -------
    ExactTerms [1]
        One row per exact life.

    References
    ----------
    DEVELOPERS.md, "Ten rules for lives", rule 8.

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> columns = LifeColumns(lives=lives_of_one_sample(lower=[3.0], upper=[3.0]))
    >>> exact_terms(columns, np.array([-2.0])).value
    array([-2.])
    """
    value, masked = log_hazard.copy(), columns.masked_exact
    share = np.ones(len(value))
    if len(masked):
        cause, top = columns.cause[columns.exact[masked]], np.full(columns.causes, -np.inf)
        np.maximum.at(top, cause, value[masked])
        part = np.maximum(np.exp(value[masked] - top[cause]), 1e-300)
        whole = np.bincount(cause, part, columns.causes)[cause]
        share[masked] = part / whole
        value[masked] = (top[cause] + np.log(whole)) * share[masked]
    return ExactTerms(share=share, value=value)


def interval_terms(columns: LifeColumns, width: FloatArray) -> IntervalTerms:
    """Share out log(1 - exp(-d)) of the causes that struck in an interval.

    Parameters
    ----------
    columns : LifeColumns [days]
        The lives.
    width : float array, shape (interval lives,) [1]
        H(upper) - H(lower) of each life.

    Returns
    -------
    IntervalTerms [1]
        One row per life that ended in an interval.

    References
    ----------
    DEVELOPERS.md, "Ten rules for lives", rules 4 and 8.

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> columns = LifeColumns(lives=lives_of_one_sample(lower=[3.0], upper=[4.0]))
    >>> interval_terms(columns, np.array([np.log(2.0)])).value.round(6)
    array([-0.693147])
    """
    rows, masked = columns.interval, columns.masked_interval
    whole, members = width.copy(), np.ones(len(width))
    if len(masked):
        cause = columns.cause[rows[masked]]
        whole[masked] = np.bincount(cause, width[masked], columns.causes)[cause]
        members[masked] = np.bincount(cause, minlength=columns.causes)[cause]
    np.maximum(whole, 1e-140, out=whole)
    first = np.where(whole < SURE, 1.0 / np.expm1(np.minimum(whole, SURE)), 0.0)
    return IntervalTerms(
        value=np.log(-np.expm1(-whole)) / members, first=first, second=-first * (1.0 + first), wide=width > 0
    )
