"""Density of what is known of each class's log scale and log shape, at any nodes, items joined by masked causes too."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from forecasting.arrays import BoolArray, FloatArray, IntArray
from forecasting.life_columns import LifeColumns
from forecasting.likelihood import Likelihood
from forecasting.lives import Lives
from forecasting.priors import log_parameters

__all__ = ["PLENTY", "Density", "few_failures"]

PLENTY = 100
"""Failures from which the normal approximation is used as it is."""
LARGEST = 50.0
"""Log of a cumulative hazard that nothing has survived."""


def few_failures(lives: Lives) -> IntArray:
    """List samples whose density is worth looking at, and those a masked cause joins to them.

    Parameters
    ----------
    lives : Lives [days]
        Of all samples.

    Returns
    -------
    int array [index]
        Samples with less than 100 failures, masked ones included, or joined to such.

    References
    ----------
    DEVELOPERS.md, "Borrowed strength".

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> few_failures(lives_of_one_sample(lower=np.arange(1.0, 100.0), upper=np.arange(1.0, 100.0)))
    array([0])
    >>> few_failures(lives_of_one_sample(lower=np.arange(1.0, 101.0), upper=np.arange(1.0, 101.0)))
    array([], dtype=int64)
    """
    failures = np.bincount(lives.sample, np.isfinite(lives.upper), len(lives.samples))
    block = LifeColumns(lives=lives).block
    return np.flatnonzero(np.isin(block, block[failures < PLENTY]))


@dataclass(frozen=True, kw_only=True)
class Density:
    """Log density of the posterior of each sample, those joined to it by a masked cause moving along.

    Parameters
    ----------
    likelihood : Likelihood [1]
        With its normal prior.
    centre : float array, shape (samples, 2) [log days, 1]
        Log scale and log shape at the maximum.
    """

    likelihood: Likelihood
    centre: FloatArray

    @property
    def held(self) -> BoolArray:
        """Whether the shape of each sample is held at 1."""
        return self.likelihood.held

    def _parameters(self, logs: FloatArray) -> FloatArray:
        """Intercept and slope of log scale and log shape."""
        slope = np.exp(logs[:, 1])
        return np.stack([slope * (np.log(self.likelihood.reference) - logs[:, 0]), slope], axis=1)

    @cached_property
    def _covariance(self) -> FloatArray:
        """Inverse of the curvature of each block at the centre, by log scale and log shape of its slots."""
        one, parameters = self.likelihood, self._parameters(self.centre)
        inverse = np.linalg.inv(-one.at(parameters).hessian)
        jacobian = np.tile(np.eye(inverse.shape[1]), (len(inverse), 1, 1))
        corner, i, j = 2 * one.slot[:, None, None], np.arange(2)[:, None], np.arange(2)[None, :]
        logs = log_parameters(parameters, reference=one.reference).jacobian
        jacobian[one.block[:, None, None], corner + i, corner + j] = logs
        return np.asarray(jacobian @ inverse @ jacobian.transpose(0, 2, 1))

    def _together(self, other: IntArray) -> FloatArray:
        """Covariance of each sample, and of what stands in slot `other` of its block; shape (samples, 2, 2)."""
        one, i, j = self.likelihood, np.arange(2)[:, None], np.arange(2)[None, :]
        block, rows = one.block[:, None, None], 2 * one.slot[:, None, None] + i
        covariance = self._covariance[block, rows, 2 * other[:, None, None] + j]
        covariance[one.held, 1] = 0.0
        return np.asarray(covariance)

    @cached_property
    def own(self) -> FloatArray:
        """Covariance at the centre, shape (samples, 2, 2)."""
        covariance = self._together(self.likelihood.slot)
        covariance[self.likelihood.held, :, 1] = 0.0
        return covariance

    def at(self, nodes: FloatArray) -> FloatArray:
        """Log density, shape (samples, m), at nodes of each sample, shape (samples, m, 2)."""
        one = self.likelihood
        density = np.zeros(nodes.shape[:2])
        for slot in range(int(one.slot.max()) + 1):
            looked_at = np.flatnonzero(one.slot == slot)
            leader = np.full(int(one.block.max()) + 1, -1)
            leader[one.block[looked_at]] = looked_at
            lead = leader[one.block]  # (samples,)
            own = self.own[lead] + one.held[lead][:, None, None] * np.diag([0.0, 1.0])
            along = self._together(np.full(len(lead), slot)) @ np.linalg.inv(own)
            along[one.held[lead], :, 1] = 0.0
            along[lead < 0] = 0.0
            for place in range(nodes.shape[1]):
                away = nodes[lead, place] - self.centre[lead]
                logs = self.centre + np.einsum("nij,nj->ni", along, away)
                density[looked_at, place] = one.value(self._parameters(logs)).value[one.block[looked_at]]
        return np.where(self._beyond(nodes), -np.inf, density)

    def _beyond(self, nodes: FloatArray) -> BoolArray:
        """Whether a cumulative hazard is beyond what can be told from that at a late entry, shape (samples, m)."""
        oldest = np.zeros(len(self.centre))
        np.maximum.at(oldest, self.likelihood.lives.sample, self.likelihood.lives.lower)
        z = np.exp(nodes[:, :, 1]) * (np.log(np.maximum(oldest, 1e-300))[:, None] - nodes[:, :, 0])
        return np.asarray(z > LARGEST)
