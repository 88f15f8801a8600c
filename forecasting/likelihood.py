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
from forecasting.cause_terms import ExactTerms, IntervalTerms, exact_terms, interval_terms
from forecasting.families import STANDARD, Family, Growth, Standard
from forecasting.life_columns import LifeColumns
from forecasting.lives import Lives
from forecasting.priors import Prior, prior_terms, prior_value


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


@dataclass(frozen=True, kw_only=True)
class _Joint:
    """Products of derivatives of lives that masked causes or intervals bring into the Hessian."""

    argument: FloatArray  # (2, joint)
    own: FloatArray  # (joint,)
    coupling: FloatArray  # (joint,)


@dataclass(frozen=True, kw_only=True)
class Value:
    """Value of the log-likelihood.

    Parameters
    ----------
    value, by_sample : float array, shape (blocks,) and (samples,) [1]
        As in `Curvature`.
    """

    value: FloatArray
    by_sample: FloatArray


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
    def columns(self) -> LifeColumns:
        """The lives, laid out."""
        return LifeColumns(lives=self.lives)

    @property
    def reference(self) -> FloatArray:
        """Age of each sample at which log age counts as 0, shape (samples,) [days]."""
        return self.columns.reference

    @property
    def block(self) -> IntArray:
        """Block of each sample, shape (samples,): samples joined by a masked cause share one."""
        return self.columns.block

    @property
    def slot(self) -> IntArray:
        """Place of each sample in its block, shape (samples,)."""
        return self.columns.slot

    @cached_property
    def unused(self) -> BoolArray:
        """Places of each block without a free parameter, shape (blocks, 2 * width)."""
        unused = self.columns.empty.copy()
        unused[self.block[self.held], 2 * self.slot[self.held] + 1] = True
        return unused

    def believing(self, prior: Prior) -> "Likelihood":
        """Put another prior in place, the lives laid out as they are."""
        other = replace(self, prior=prior)
        vars(other)["columns"] = self.columns
        return other

    def value(self, parameters: FloatArray) -> Value:
        """Evaluate the value alone, at about a third of the price of `at`.

        Parameters
        ----------
        parameters : float array, shape (samples, 2) [1]
            As for `at`.

        Returns
        -------
        Value [1]
            By block and by sample.
        """
        growth = self._growth(parameters)
        exact, between = self._terms(growth, parameters[:, 1])
        by_sample = self._by_sample(growth, exact, between)
        value = self._by_block(by_sample)
        if self.prior is not None:
            value += self._by_block(prior_value(self.prior, parameters, reference=self.reference))
        return Value(value=value, by_sample=by_sample)

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
        growth, slope = self._growth(parameters), parameters[:, 1]
        exact, between = self._terms(growth, slope)
        joint = self._joint(growth, exact, between, slope)
        by_sample = self._by_sample(growth, exact, between)
        gradient, hessian = self._derivatives(growth, exact, between, slope)
        self._add_products(hessian, joint)
        value = self._by_block(by_sample)
        if self.prior is not None:
            added = prior_terms(self.prior, parameters, reference=self.reference)
            value += self._by_block(added.value)
            gradient += added.gradient
            hessian += added.hessian
        gradient[self.held, 1] = 0.0
        return Curvature(value=value, by_sample=by_sample, gradient=gradient, hessian=self._in_blocks(hessian, joint))

    @property
    def family_of(self) -> tuple[Family, ...]:
        """Family of each sample."""
        return self.families or (Family.WEIBULL,) * len(self.lives.samples)

    @cached_property
    def held(self) -> BoolArray:
        """Whether the slope of each sample is held at 1, shape (samples,)."""
        return np.array([family is Family.EXPONENTIAL for family in self.family_of])

    @cached_property
    def standards(self) -> list[tuple[Standard, IntArray]]:
        """Standard distributions in use, and the points of each."""
        kinds = [STANDARD[family] for family in self.family_of]
        distinct = {id(kind): kind for kind in kinds}.values()
        return [
            (kind, np.flatnonzero(np.array([one is kind for one in kinds])[self.columns.points.sample]))
            for kind in distinct
        ]

    def _growth(self, parameters: FloatArray) -> Growth:
        """Cumulative hazard and its growth at the points."""
        points = self.columns.points
        z = parameters[points.sample, 1]
        z *= points.log_age
        z += parameters[points.sample, 0]
        if len(self.standards) == 1:
            growth = self.standards[0][0].growth(z)
        else:
            growth = Growth(**{name: np.empty_like(z) for name in Growth.__dataclass_fields__})
            for kind, own in self.standards:
                part = kind.growth(z[own])
                for name in Growth.__dataclass_fields__:
                    getattr(growth, name)[own] = getattr(part, name)
        if len(points.unborn):
            for column in (growth.cumulative, growth.hazard, growth.bend):
                column[points.unborn] = 0.0
        return growth

    def _terms(self, growth: Growth, slope: FloatArray) -> tuple[ExactTerms, IntervalTerms]:
        """Share out causes whose day is known, and those that struck in an interval."""
        columns = self.columns
        rows = columns.exact
        log_hazard = growth.log_hazard[rows] + np.log(slope)[self.lives.sample[rows]] - columns.log_days
        width = growth.cumulative[columns.ends] - growth.cumulative[columns.interval]
        return exact_terms(columns, log_hazard), interval_terms(columns, width)

    def _joint(self, growth: Growth, exact: ExactTerms, between: IntervalTerms, slope: FloatArray) -> _Joint:
        """List derivatives that are multiplied: of masked hazards, and of hazards over intervals."""
        rows, ends, log_age = self.columns.interval, self.columns.ends, self.columns.points.log_age
        masked = self.columns.masked_exact
        known, share = self.columns.exact[masked], exact.share[masked]
        turned = share * growth.turn[known]
        after, before = growth.hazard[ends], growth.hazard[rows]
        flat = np.concatenate([turned, (after - before) * between.wide])
        steep = np.concatenate([
            turned * log_age[known] + share / slope[self.lives.sample[known]],
            (after * log_age[ends] - before * log_age[rows]) * between.wide,
        ])
        return _Joint(
            argument=np.stack([flat, steep]),
            own=np.concatenate([1.0 / share - 1.0, between.second]),
            coupling=np.concatenate([np.full(len(known), -1.0), between.second]),
        )

    def _by_sample(self, growth: Growth, exact: ExactTerms, between: IntervalTerms) -> FloatArray:
        """Sum values by sample."""
        sample, count = self.lives.sample, len(self.lives.samples)
        total: FloatArray = np.zeros(count)
        total += np.bincount(self.columns.points.sample, self.columns.points.sign * growth.cumulative, count)
        total += np.bincount(sample[self.columns.exact], exact.value, count)
        total += np.bincount(sample[self.columns.interval], between.value, count)
        return total

    def _by_block(self, by_sample: FloatArray) -> FloatArray:
        return np.bincount(self.block, by_sample, len(self.unused)).astype(np.float64)

    def _derivatives(
        self, growth: Growth, exact: ExactTerms, between: IntervalTerms, slope: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Gradient, shape (samples, 2), and Hessian, shape (samples, 2, 2), but for products of derivatives."""
        points, rows, ends, count = (
            self.columns.points,
            self.columns.interval,
            self.columns.ends,
            len(self.lives.samples),
        )
        pull, bend = points.sign * growth.hazard, points.sign * growth.bend
        pull[self.columns.exact] += exact.share * growth.turn[self.columns.exact]
        bend[self.columns.exact] += exact.share * growth.twist[self.columns.exact]
        first = between.first * between.wide
        pull[ends], bend[ends] = first * growth.hazard[ends], first * growth.bend[ends]
        pull[rows] -= first * growth.hazard[rows]
        bend[rows] -= first * growth.bend[rows]
        dated = np.bincount(self.lives.sample[self.columns.exact], exact.share, count)
        gradient, hessian = np.empty((count, 2)), np.empty((count, 2, 2))
        gradient[:, 0] = np.bincount(points.sample, pull, count)
        gradient[:, 1] = np.bincount(points.sample, pull * points.log_age, count) + dated / slope
        hessian[:, 0, 0] = np.bincount(points.sample, bend, count)
        bend *= points.log_age
        hessian[:, 0, 1] = hessian[:, 1, 0] = np.bincount(points.sample, bend, count)
        bend *= points.log_age
        hessian[:, 1, 1] = np.bincount(points.sample, bend, count) - dated / slope**2
        return gradient, hessian

    def _add_products(self, hessian: FloatArray, joint: _Joint) -> None:
        """Add the products of each life's derivatives with themselves."""
        if not len(self.columns.joint):
            return
        sample, (flat, steep) = self.lives.sample[self.columns.joint], joint.argument
        hessian[:, 0, 0] += np.bincount(sample, joint.own * flat * flat, len(hessian))
        mixed = np.bincount(sample, joint.own * flat * steep, len(hessian))
        hessian[:, 0, 1] += mixed
        hessian[:, 1, 0] += mixed
        hessian[:, 1, 1] += np.bincount(sample, joint.own * steep * steep, len(hessian))

    def _in_blocks(self, hessian: FloatArray, joint: _Joint) -> FloatArray:
        """Lay Hessians of samples out by block; masked causes couple samples."""
        unused, (left, right), argument = self.unused, self.columns.pairs, joint.argument
        whole = np.zeros(unused.size * unused.shape[1])
        if len(left):
            cross = joint.coupling[left] * argument[:, None, left] * argument[None, :, right]  # (2, 2, pairs)
            whole += np.bincount(self.columns.pair_cells.ravel(), cross.ravel(), len(whole))
        whole[self.columns.own_cells] += hessian
        whole = whole.reshape(*unused.shape, unused.shape[1])
        whole *= ~(unused[:, :, None] | unused[:, None])
        whole[:, np.arange(unused.shape[1]), np.arange(unused.shape[1])] -= unused
        return whole
