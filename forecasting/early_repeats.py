"""From lives to the failures that came so soon after a renewal that they speak of the work, not of wear."""

from dataclasses import dataclass

import numpy as np

from forecasting.arrays import check
from forecasting.lives import Lives

__all__ = ["EarlyRepeats", "early_repeats"]


@dataclass(frozen=True, kw_only=True)
class EarlyRepeats:
    """Failures soon after a renewal, of one sample; they stay in its fit.

    Parameters
    ----------
    within : float [days]
        How soon.
    repeats : int [failures]
        Failures known to have come within so many days of the renewal or installation.
    failures : int [failures]
        All failures whose item is said.
    renewals : int [lives]
        Lives watched from their first day.
    """

    within: float
    repeats: int
    failures: int
    renewals: int

    @property
    def share(self) -> float:
        """Share of the lives watched from their first day that ended so soon; 0 of none."""
        return self.repeats / self.renewals if self.renewals else 0.0


def early_repeats(lives: Lives, *, within: float = 90.0) -> tuple[EarlyRepeats, ...]:
    """Count the failures within so many days of the renewal before: rework, to be told apart from wear.

    A life of 0 days is not counted: two renewals on one day are two items in one place, not rework. Nor is a failure
    whose item isn't said, nor one found later that may have come so soon.

    Parameters
    ----------
    lives : Lives [days]
        Of all samples.
    within : float [days]
        How soon is early.

    Returns
    -------
    tuple of EarlyRepeats, one per sample [failures]
        In the order of `lives.samples`.

    Raises
    ------
    InvalidInput
        If `within` isn't positive.

    References
    ----------
    DEVELOPERS.md, "Checks of a failure model" (90 days is our own convention).

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> early_repeats(lives_of_one_sample(lower=[20.0, 400.0], upper=[20.0, np.inf]))[0].share
    0.5
    """
    check(within > 0.0, f"`within` must be positive, got {within!r}")
    failed = np.isfinite(lives.upper) & (lives.sharing == 1)
    from_new = lives.entry == 0
    soon = failed & from_new & (lives.upper <= within) & ~((lives.lower == 0) & (lives.upper <= 1))
    count = len(lives.samples)
    numbers = [np.bincount(lives.sample[which], minlength=count).tolist() for which in (soon, failed, from_new)]
    return tuple(
        EarlyRepeats(within=within, repeats=repeats, failures=failures, renewals=renewals)
        for repeats, failures, renewals in zip(*numbers, strict=True)
    )
