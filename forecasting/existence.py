"""Whether a sample's likelihood has a maximum at all, told from its lives before anything is optimised."""

from enum import StrEnum

import numpy as np

from forecasting.arrays import BoolArray
from forecasting.families import Family
from forecasting.lives import Lives
from forecasting.segments import Segments

__all__ = ["REASONS", "FitStatus", "without_maximum"]


class FitStatus(StrEnum):
    """Whether a sample has a maximum of its own, and if not, why."""

    FITTED = "fitted"
    NO_FAILURES = "no_failures"
    AT_LARGEST_AGE = "failures_only_at_the_largest_age"
    ONE_COMMON_AGE = "intervals_share_one_age"
    SHAPE_TO_ZERO = "shape_runs_to_zero"
    SHAPE_TO_INFINITY = "shape_runs_to_infinity"
    CAUSES_NOT_SEPARABLE = "causes_not_separable"
    NOT_CONVERGED = "not_converged"


REASONS = {
    FitStatus.FITTED: "",
    FitStatus.NO_FAILURES: "no failure was observed",
    FitStatus.AT_LARGEST_AGE: "every failure is at the largest age observed: the likelihood grows without limit",
    FitStatus.ONE_COMMON_AGE: "one age fits every interval and no life is seen beyond it: the shape has no maximum",
    FitStatus.SHAPE_TO_ZERO: "the likelihood still grows as the shape falls to 0",
    FitStatus.SHAPE_TO_INFINITY: "the likelihood still grows as the shape rises without limit",
    FitStatus.CAUSES_NOT_SEPARABLE: "failures whose item isn't said can't be shared out among the items",
    FitStatus.NOT_CONVERGED: "no start reached a maximum",
}


def without_maximum(lives: Lives, segments: Segments, *, family: Family, shared: BoolArray) -> dict[int, FitStatus]:
    """Tell which samples have a likelihood without a maximum.

    As the shape grows a Weibull becomes a step at one age. There is no maximum if one age fits every failure and no
    life is known to have outlasted it; what entered later and ended in an interval from its entry is certain then.

    Parameters
    ----------
    lives : Lives [days]
        Sorted by sample.
    segments : Segments [rows]
        Where the rows of each sample are.
    family : Family [word]
        The shape of an exponential is given, so only the number of failures counts.
    shared : bool array, shape (n,) [yes or no]
        Whether other lives share the cause of each.

    Returns
    -------
    dict of int to FitStatus [index of sample, word]
        Samples without a maximum only.

    References
    ----------
    DEVELOPERS.md, "Speed of the fits"; each case is a test.

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> from forecasting.segments import segments_of
    >>> lives = lives_of_one_sample(lower=[3.0, 3.0], upper=[3.0, 3.0])
    >>> segments, shared = segments_of(lives.sample, samples=1), np.zeros(2, dtype=bool)
    >>> without_maximum(lives, segments, family=Family.WEIBULL, shared=shared)[0].value
    'failures_only_at_the_largest_age'
    """
    failed = np.isfinite(lives.upper)
    failures = segments.count(failed)
    statuses = {int(sample): FitStatus.NO_FAILURES for sample in np.flatnonzero(failures == 0)}
    if family is Family.EXPONENTIAL:
        return statuses
    seen = lives.lower > lives.entry
    seen_to = segments.largest(lives.lower if seen.all() else np.where(seen, lives.lower, 0.0))
    first = segments.smallest(lives.upper)
    suspects = (failures > 0) & (seen_to <= first)
    if not suspects.any():
        return statuses
    dated = segments.count(lives.lower == lives.upper) > 0
    # at equality a shape of 0 may be better still if lives entered late
    tie = dated | (segments.count(seen & (lives.entry > 0)) == 0)
    stuck = suspects & (segments.count(failed & shared) == 0) & ((seen_to < first) | tie)
    for sample in np.flatnonzero(stuck):
        statuses[int(sample)] = FitStatus.AT_LARGEST_AGE if dated[sample] else FitStatus.ONE_COMMON_AGE
    return statuses
