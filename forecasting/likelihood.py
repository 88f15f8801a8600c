"""Log-likelihood of lives with its gradient and Hessian, all samples at once, for every family.

H is the family's cumulative hazard at z = intercept + slope * log(age / reference): linear in the parameters, so that
without truncation the log-likelihood is concave. A cause (one life, or several among which the cause is masked)
contributes

    exact                log(sum of h) - sum of H(lower) + sum of H(entry)
    right-censored       - sum of H(lower) + sum of H(entry)
    interval-censored    log(exp(-sum of H(lower)) - exp(-sum of H(upper))) + sum of H(entry)
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from forecasting.arrays import BoolArray, FloatArray, IntArray
from forecasting.families import STANDARD, SURE, Family, Growth, Standard
from forecasting.lives import Lives
from forecasting.priors import Prior, prior_terms


@dataclass(frozen=True, kw_only=True)
class Curvature:
    """Value, gradient and Hessian of the log-likelihood.

    Parameters
    ----------
    value, by_sample : float array, shape (blocks,) and (samples,) [1]
        Log-likelihood and log prior of each block of samples; log-likelihood of each sample, masked causes shared.
    gradient : float array, shape (samples, 2) [1]
        By intercept and slope; an exponential's slope is held.
    hessian : float array, shape (blocks, 2 * width, 2 * width) [1]
        Unused slots carry minus the identity.
    """

    value: FloatArray
    by_sample: FloatArray
    gradient: FloatArray
    hessian: FloatArray


@dataclass(kw_only=True)
class _Terms:
    """What each life contributes; products of `argument`, times `coupling`, couple the lives of one masked cause."""

    value: FloatArray  # (lives,)
    gradient: FloatArray  # (2, lives)
    hessian: FloatArray  # (2, 2, lives)
    argument: FloatArray  # (2, lives)
    coupling: FloatArray  # (lives,)


@dataclass(frozen=True, kw_only=True)
class Likelihood:
    """The log-likelihood of these lives.

    Parameters
    ----------
    lives : Lives [days]
        Exact, right-, left-, interval-censored and left-truncated lives together, masked causes included.
    families : tuple of Family, one per sample [words]
        Of each sample; empty: all are Weibull.
    prior : Prior or None [1]
        Added to it; None: the likelihood alone.
    """

    lives: Lives
    families: tuple[Family, ...] = ()
    prior: Prior | None = None

    @cached_property
    def exact(self) -> IntArray:
        """Rows of lives that ended on a known day."""
        return np.flatnonzero(self.lives.lower == self.lives.upper)

    @cached_property
    def interval(self) -> IntArray:
        """Rows of lives that ended in an interval."""
        return np.flatnonzero((self.lives.lower < self.lives.upper) & np.isfinite(self.lives.upper))

    @cached_property
    def cause(self) -> IntArray:
        """Causes numbered from 0 without gaps, shape (lives,)."""
        return np.unique(self.lives.cause, return_inverse=True)[1]

    @cached_property
    def reference(self) -> FloatArray:
        """Geometric mean of the ages at the end of life per sample, so that time units don't matter."""
        ended = np.where(np.isfinite(self.lives.upper), self.lives.upper, self.lives.lower)
        logs, used = np.log(np.where(ended > 0, ended, 1.0)), ended > 0
        count = len(self.lives.samples)
        total = np.bincount(self.lives.sample[used], logs[used], count)
        return np.exp(total / np.maximum(np.bincount(self.lives.sample[used], minlength=count), 1))

    @cached_property
    def log_ages(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Log of entry, lower and upper age over the reference; 0 where the age is 0 or infinite."""
        reference = self.reference[self.lives.sample]
        ages = (self.lives.entry, self.lives.lower, self.lives.upper)
        entry, lower, upper = (
            np.log(np.where((age > 0) & np.isfinite(age), age, reference) / reference) for age in ages
        )
        return entry, lower, upper

    @cached_property
    def block(self) -> IntArray:
        """Block of each sample, shape (samples,): samples joined by a masked cause share one."""
        block = np.arange(len(self.lives.samples))
        for rows in self.shared:
            joined = np.isin(block, block[self.lives.sample[rows]])
            block[joined] = block[joined].min()
        return np.unique(block, return_inverse=True)[1]

    @cached_property
    def slot(self) -> IntArray:
        """Place of each sample in its block, shape (samples,)."""
        order = np.argsort(self.block, kind="stable")
        first = np.searchsorted(self.block[order], self.block[order])
        slot = np.empty_like(order)
        slot[order] = np.arange(len(order)) - first
        return slot

    @cached_property
    def shared(self) -> list[IntArray]:
        """Rows of each masked cause."""
        order = np.argsort(self.cause, kind="stable")
        groups = np.split(order, np.flatnonzero(np.diff(self.cause[order])) + 1)
        return [rows for rows in groups if len(rows) > 1]

    @cached_property
    def pairs(self) -> tuple[IntArray, IntArray]:
        """Ordered pairs of different rows that share a cause."""
        pairs = [(i, j) for rows in self.shared for i in rows for j in rows if i != j]
        left, right = np.array(pairs, dtype=np.int64).reshape(-1, 2).T
        return left, right

    @cached_property
    def causes(self) -> int:
        """Number of causes."""
        return int(self.cause.max(initial=-1)) + 1

    def at(self, parameters: FloatArray) -> Curvature:
        """Evaluate value, gradient and Hessian.

        Parameters
        ----------
        parameters : float array, shape (samples, 2) [1]
            Intercept and slope (the Weibull shape) of each sample.

        Returns
        -------
        Curvature [1]
            See there.
        """
        count = len(self.lives)
        terms = _Terms(
            value=np.zeros(count),
            gradient=np.zeros((2, count)),
            hessian=np.zeros((2, 2, count)),
            argument=np.zeros((2, count)),
            coupling=np.zeros(count),
        )
        intercept, slope = parameters[self.lives.sample].T
        self._survive(terms, intercept, slope)
        self._fail_exactly(terms, intercept, slope)
        self._fail_between(terms, intercept, slope)
        return self._gather(terms, parameters)

    @property
    def family_of(self) -> tuple[Family, ...]:
        """Family of each sample."""
        return self.families or (Family.WEIBULL,) * len(self.lives.samples)

    @cached_property
    def held(self) -> BoolArray:
        """Whether the slope of each sample is held at 1, shape (samples,)."""
        return np.array([family is Family.EXPONENTIAL for family in self.family_of])

    @cached_property
    def standards(self) -> list[tuple[Standard, BoolArray]]:
        """Standard distributions in use, and the lives of each."""
        kinds = [STANDARD[family] for family in self.family_of]
        distinct = {id(kind): kind for kind in kinds}.values()
        return [(kind, np.array([one is kind for one in kinds])[self.lives.sample]) for kind in distinct]

    def _growth(self, age: FloatArray, z: FloatArray, rows: IntArray) -> Growth:
        """Cumulative hazard and its growth of these rows' lives at these ages; nothing has grown at age 0."""
        if len(self.standards) == 1:
            growth = self.standards[0][0].growth(z)
        else:
            parts = [(kind.growth(z), own[rows]) for kind, own in self.standards]
            growth = Growth(**{
                name: np.select([own for _, own in parts], [getattr(one, name) for one, _ in parts])
                for name in Growth.__dataclass_fields__
            })
        born = age > 0
        return replace(
            growth,
            cumulative=np.where(born, growth.cumulative, 0.0),
            hazard=np.where(born, growth.hazard, 0.0),
            bend=np.where(born, growth.bend, 0.0),
        )

    def _survive(self, terms: _Terms, intercept: FloatArray, slope: FloatArray) -> None:
        """Add what every life contributes: -H(lower) + H(entry)."""
        entry, lower, _ = self.log_ages
        for sign, age, log_age in ((1.0, self.lives.entry, entry), (-1.0, self.lives.lower, lower)):
            growth = self._growth(age, intercept + slope * log_age, np.arange(len(age)))
            vector = np.stack([np.ones(len(age)), log_age])
            terms.value += sign * growth.cumulative
            terms.gradient += sign * growth.hazard * vector
            terms.hessian += sign * growth.bend * vector[:, None] * vector

    def _fail_exactly(self, terms: _Terms, intercept: FloatArray, slope: FloatArray) -> None:
        """Add log(sum of h) of the causes whose day is known."""
        rows, cause = self.exact, self.cause[self.exact]
        log_age, steep, age = self.log_ages[1][rows], slope[rows], self.lives.lower[rows]
        growth = self._growth(age, intercept[rows] + steep * log_age, rows)
        log_hazard = growth.log_hazard + np.log(steep) - np.log(age)
        top = np.full(self.causes, -np.inf)
        np.maximum.at(top, cause, log_hazard)
        part = np.maximum(np.exp(log_hazard - top[cause]), 1e-300)
        whole = np.bincount(cause, part, self.causes)[cause]
        share = part / whole
        vector = np.stack([np.ones(len(rows)), log_age])
        argument = share * (growth.turn * vector + np.stack([np.zeros(len(rows)), 1.0 / steep]))
        terms.value[rows] += (top[cause] + np.log(whole)) * share
        terms.gradient[:, rows] += argument
        terms.hessian[:, :, rows] += argument[:, None] * argument * (1.0 / share - 1.0)
        terms.hessian[:, :, rows] += share * growth.twist * vector[:, None] * vector
        terms.hessian[1, 1, rows] -= share / steep**2
        terms.argument[:, rows], terms.coupling[rows] = argument, -1.0

    def _fail_between(self, terms: _Terms, intercept: FloatArray, slope: FloatArray) -> None:
        """Add log(1 - exp(-d)) of the causes that struck in an interval, d the sum of H(upper) - H(lower)."""
        rows, cause = self.interval, self.cause[self.interval]
        argument, bend, width = np.zeros((2, len(rows))), np.zeros((2, 2, len(rows))), np.zeros(len(rows))
        for sign, age, log_age in (
            (1.0, self.lives.upper[rows], self.log_ages[2][rows]),
            (-1.0, self.lives.lower[rows], self.log_ages[1][rows]),
        ):
            growth = self._growth(age, intercept[rows] + slope[rows] * log_age, rows)
            vector = np.stack([np.ones(len(rows)), log_age])
            width += sign * growth.cumulative
            argument += sign * growth.hazard * vector
            bend += sign * growth.bend * vector[:, None] * vector
        argument, bend = np.where(width > 0, argument, 0.0), np.where(width > 0, bend, 0.0)
        whole = np.maximum(np.bincount(cause, width, self.causes)[cause], 1e-140)
        first = np.where(whole < SURE, 1.0 / np.expm1(np.minimum(whole, SURE)), 0.0)
        second = -first * (1.0 + first)
        terms.value[rows] += np.log(-np.expm1(-whole)) / np.bincount(cause, minlength=self.causes)[cause]
        terms.gradient[:, rows] += first * argument
        terms.hessian[:, :, rows] += second * argument[:, None] * argument + first * bend
        terms.argument[:, rows], terms.coupling[rows] = argument, second

    def _gather(self, terms: _Terms, parameters: FloatArray) -> Curvature:
        """Sum over lives: values and Hessians by block, gradients by sample; masked causes couple samples."""
        sample, count = self.lives.sample, len(self.lives.samples)
        blocks, width = self.block.max(initial=-1) + 1, self.slot.max(initial=0) + 1
        whole = np.zeros((blocks, 2 * width, 2 * width))
        place, corner = self.block[sample], 2 * self.slot[sample]
        left, right = self.pairs
        for i in range(2):
            for j in range(2):
                np.add.at(whole, (place, corner + i, corner + j), terms.hessian[i, j])
                cross = terms.coupling[left] * terms.argument[i, left] * terms.argument[j, right]
                np.add.at(whole, (place[left], corner[left] + i, corner[right] + j), cross)
        value: FloatArray = np.bincount(place, terms.value, blocks).astype(np.float64)
        gradient: FloatArray = np.stack([np.bincount(sample, part, count) for part in terms.gradient], axis=1).astype(
            np.float64
        )
        if self.prior is not None:
            added = prior_terms(self.prior, parameters, reference=self.reference)
            value += np.bincount(self.block, added.value, blocks)
            gradient += added.gradient
            for i in range(2):
                for j in range(2):
                    whole[self.block, 2 * self.slot + i, 2 * self.slot + j] += added.hessian[:, i, j]
        filled = np.zeros((blocks, 2 * width), dtype=bool)
        filled[self.block, 2 * self.slot] = True
        filled[self.block, 2 * self.slot + 1] = ~self.held
        whole *= filled[:, :, None] & filled[:, None]
        whole[:, np.arange(2 * width), np.arange(2 * width)] -= ~filled
        gradient[:, 1] *= ~self.held
        by_sample = np.bincount(sample, terms.value, count).astype(np.float64)
        return Curvature(value=value, by_sample=by_sample, gradient=gradient, hessian=whole)
