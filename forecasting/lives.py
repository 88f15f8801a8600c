"""From histories to lives: what the fit may use, with censoring and truncation as named columns."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from forecasting.arrays import FloatArray, IntArray, check, check_same_length, float_column, int_column
from forecasting.clocks import ItemAge, Life, Watch
from forecasting.errors import InvalidInput
from forecasting.histories import Finding, History
from forecasting.watching import watch

__all__ = ["Lives", "WatchedFleet", "lives_from_histories", "lives_of_one_sample"]


@dataclass(frozen=True, kw_only=True)
class Lives:
    """Lives of all samples in one set of columns; a sample is a (service class, maintainable item).

    A life is exact where `lower == upper`, right-censored where `upper` is infinite, left-censored where `lower`
    equals `entry`, else interval-censored (lower, upper]. All are conditional on having survived to `entry`.

    Parameters
    ----------
    samples : tuple of (str, str) [service class, maintainable item]
        The samples, in order.
    sample : int array, shape (n,) [index into samples]
        Whose life it is.
    entry, lower, upper : float array, shape (n,) [days]
        0 <= entry <= lower <= upper, lower finite.
    cause : int array, shape (n,) [number]
        Lives with the same number share one masked cause: one of them failed, not said which.

    Raises
    ------
    InvalidInput
        If the columns differ in length or an age is impossible; the message names the first bad life.
    """

    samples: tuple[tuple[str, str], ...]
    sample: IntArray
    entry: FloatArray
    lower: FloatArray
    upper: FloatArray
    cause: IntArray

    def __post_init__(self) -> None:
        """Refuse impossible ages.

        Raises
        ------
        InvalidInput
            If there is one; it names the first.
        """
        check_same_length(sample=self.sample, entry=self.entry, lower=self.lower, upper=self.upper, cause=self.cause)
        possible = (
            (self.entry >= 0)
            & (self.entry <= self.lower)
            & (self.lower <= self.upper)
            & (self.upper > 0)
            & np.isfinite(self.lower)
        )
        if possible.all():
            return
        row = int(np.argmin(possible))
        raise InvalidInput(
            "a life needs 0 <= entry <= lower <= upper with upper > 0 and lower finite, got "
            f"entry {self.entry[row : row + 1]}, lower {self.lower[row : row + 1]}, upper {self.upper[row : row + 1]}"
        )

    def __len__(self) -> int:
        """Return the number of lives."""
        return len(self.entry)

    @cached_property
    def sharing(self) -> IntArray:
        """How many lives share the cause of each, shape (n,); 1: it is its own."""
        if (self.cause[1:] > self.cause[:-1]).all():
            return np.broadcast_to(np.int64(1), len(self))
        number = np.unique(self.cause, return_inverse=True)[1]
        return np.asarray(np.bincount(number)[number])

    def of_rows(self, rows: IntArray) -> "Lives":
        """Keep some lives only, in the order of `rows`, samples numbered as before."""
        return Lives(
            samples=self.samples,
            sample=self.sample[rows],
            entry=self.entry[rows],
            lower=self.lower[rows],
            upper=self.upper[rows],
            cause=self.cause[rows],
        )

    def of_samples(self, keep: Sequence[int]) -> "Lives":
        """Lives of some samples only, renumbered in the order of `keep`."""
        number = np.full(len(self.samples), -1)
        number[list(keep)] = np.arange(len(keep))
        rows = np.flatnonzero(number[self.sample] >= 0)
        return Lives(
            samples=tuple(self.samples[sample] for sample in keep),
            sample=number[self.sample[rows]],
            entry=self.entry[rows],
            lower=self.lower[rows],
            upper=self.upper[rows],
            cause=self.cause[rows],
        )


@dataclass(frozen=True, kw_only=True)
class WatchedFleet:
    """What the histories of a plant say.

    Parameters
    ----------
    lives : Lives [days]
        For the fit.
    life_valves : tuple of str, one per life [tags]
        Whose lives they are.
    ages : tuple of ItemAge [days]
        Every item of every valve in service at as_of, for the projection.
    watches : tuple of Watch [day numbers]
        For the trend tests.
    findings : tuple of Finding [findings]
        What can't be true or can't be used.
    """

    lives: Lives
    life_valves: tuple[str, ...]
    ages: tuple[ItemAge, ...]
    watches: tuple[Watch, ...]
    findings: tuple[Finding, ...]


def lives_of_one_sample(*, lower: ArrayLike, upper: ArrayLike, entry: ArrayLike | None = None) -> Lives:
    """Lives of a single sample, from plain arrays.

    Parameters
    ----------
    lower, upper : array_like, shape (n,) [days]
        Equal: exact; `upper` infinite: right-censored; else the life ended in (lower, upper].
    entry : array_like, shape (n,) or None [days]
        Age at entry; None: all watched from new.

    Returns
    -------
    Lives [days]
        One sample, each life with a cause of its own.

    Raises
    ------
    InvalidInput
        If an age is impossible.

    References
    ----------
    Meeker & Escobar (1998), Statistical Methods for Reliability Data, chapters 2 and 11 (the kinds of censoring and
    truncation; from memory).

    Examples
    --------
    >>> len(lives_of_one_sample(lower=[3.0, 5.0], upper=[3.0, np.inf]))
    2
    """
    ages = float_column("lower", lower)
    return Lives(
        samples=(("", ""),),
        sample=np.zeros(len(ages), dtype=np.int64),
        entry=np.zeros(len(ages)) if entry is None else float_column("entry", entry),
        lower=ages,
        upper=float_column("upper", upper),
        cause=np.arange(len(ages)),
    )


def _columns(lives: Sequence[Life]) -> Lives:
    """Put lives into columns, samples in the order of their codes."""
    samples = sorted({(life.service_class, life.item) for life in lives})
    number = {sample: index for index, sample in enumerate(samples)}
    causes: dict[tuple[str, int], int] = {}
    return Lives(
        samples=tuple(samples),
        sample=int_column("sample", [number[life.service_class, life.item] for life in lives]),
        entry=float_column("entry", [life.entry for life in lives]),
        lower=float_column("lower", [life.lower for life in lives]),
        upper=float_column("upper", [life.upper for life in lives]),
        cause=int_column("cause", [causes.setdefault((life.valve, life.cause), len(causes)) for life in lives]),
    )


def lives_from_histories(histories: Iterable[History], *, as_of: int) -> WatchedFleet:
    """Turn rebuild histories into lives, present ages and findings.

    Parameters
    ----------
    histories : iterable of History [day numbers]
        One per valve, in any order.
    as_of : int [day number]
        Data cut-off: nothing done after it is read.

    Returns
    -------
    WatchedFleet [days]
        In the order of the valves' tags, so the order of the histories doesn't matter.

    Raises
    ------
    InvalidInput
        If two histories name the same valve.

    References
    ----------
    DEVELOPERS.md, "Ten rules for lives"; for delayed entry Klein & Moeschberger (2003), Survival Analysis, section 3.4
    (from memory).

    Examples
    --------
    >>> plain = History(valve="V1", service_class="air", items=("seat",), records_begin=0, installed=0)
    >>> lives_from_histories([plain], as_of=9).lives.lower
    array([9.])
    """
    ordered = sorted(histories, key=lambda history: history.valve)
    for first, second in zip(ordered, ordered[1:], strict=False):
        check(first.valve != second.valve, f"`histories` must name each valve once, got {first.valve} twice")
    watched = [watch(history, as_of=as_of) for history in ordered]
    lives = [life for valve in watched for life in valve.lives]
    return WatchedFleet(
        lives=_columns(lives),
        life_valves=tuple(life.valve for life in lives),
        ages=tuple(age for valve in watched for age in valve.ages),
        watches=tuple(one for valve in watched for one in valve.watches),
        findings=tuple(finding for valve in watched for finding in valve.findings),
    )
