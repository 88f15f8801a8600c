"""How far a quantity can be moved before the likelihood, maximised over everything else, has fallen by so much.

Every sample at once: along the quantity safeguarded Newton steps on the root of the fall, which is nearly linear;
across it damped Newton steps on all other parameters of the sample and of those a masked cause joins to it.
"""

from dataclasses import dataclass

import numpy as np

from forecasting.arrays import BoolArray, FloatArray, IntArray
from forecasting.coordinates import BY_SHAPE, Coordinates, Placed
from forecasting.likelihood import Curvature, Likelihood
from forecasting.maxima import SHAPE_LIMITS

__all__ = ["profile_limit"]

ROUNDS, STEPS, HALVINGS = 60, 40, 40
SETTLED = 1e-7
"""Gain in log-likelihood a further step across would bring; the profile then is value plus gain, to its 3/2 power."""
CLOSE = 1e-9
LEAP = 0.5
FARTHEST = 40.0
"""Beyond this many units of log age, log shape or z from the maximum a quantity counts as unbounded."""


@dataclass(frozen=True, kw_only=True)
class _Step:
    """What one evaluation says of every block.

    Parameters
    ----------
    value : float array, shape (blocks,) [1]
        Log-likelihood here.
    across : float array, shape (samples, 2) [1]
        Newton step of all that is free.
    gain : float array, shape (blocks,) [1]
        What that step should bring.
    slope, curvature : float array, shape (blocks,) [1]
        First and second derivative of the profile by the quantity.
    tangent : float array, shape (samples, 2) [1]
        How what is free moves with the quantity.
    """

    value: FloatArray
    across: FloatArray
    gain: FloatArray
    slope: FloatArray
    curvature: FloatArray
    tangent: FloatArray


@dataclass(frozen=True, kw_only=True)
class _Profile:
    """One quantity of at most one sample in each block; the others of the block are free altogether.

    Parameters
    ----------
    likelihood : Likelihood [1]
        Of all samples.
    coordinates : Coordinates [1]
        Of the quantity.
    asked : bool array, shape (samples,) [yes or no]
        Samples whose quantity it is.
    """

    likelihood: Likelihood
    coordinates: Coordinates
    asked: BoolArray

    @property
    def owner(self) -> IntArray:
        """Sample asked of each block, shape (blocks,); of a block without one, any."""
        owner = np.zeros(self.likelihood.block.max(initial=-1) + 1, dtype=np.int64)
        owner[self.likelihood.block] = np.arange(len(self.asked))
        owner[self.likelihood.block[self.asked]] = np.flatnonzero(self.asked)
        return owner

    @property
    def free(self) -> BoolArray:
        """Which coordinates may move, shape (samples, 2)."""
        free = np.ones((len(self.asked), 2), dtype=bool)
        free[:, 0] = ~self.asked & ~self.likelihood.held
        free[self.asked, 1] = ~self.likelihood.held[self.asked]
        return free

    def located(self, parameters: FloatArray) -> FloatArray:
        """Coordinates of these parameters, shape (samples, 2)."""
        return np.where(self.asked[:, None], self.coordinates.locate(parameters), BY_SHAPE.locate(parameters))

    def placed(self, at: FloatArray) -> Placed:
        """Parameters of these coordinates."""
        asked = self.asked
        own, other = self.coordinates.place(np.where(asked[:, None], at, 0.0)), BY_SHAPE.place(at)
        return Placed(
            parameters=np.where(asked[:, None], own.parameters, other.parameters),
            jacobian=np.where(asked[:, None, None], own.jacobian, other.jacobian),
            bend=np.where(asked[:, None, None, None], own.bend, other.bend),
        )

    def _in_blocks(self, by_sample: FloatArray) -> FloatArray:
        """Lay columns by sample out by block, shape (blocks, 2 * width)."""
        block, corner = self.likelihood.block, 2 * self.likelihood.slot
        laid = np.zeros((block.max(initial=-1) + 1, 2 * (self.likelihood.slot.max(initial=0) + 1)))
        laid[block, corner], laid[block, corner + 1] = by_sample.T
        return laid

    def _by_sample(self, laid: FloatArray) -> FloatArray:
        """Undo `_in_blocks`."""
        block, corner = self.likelihood.block, 2 * self.likelihood.slot
        return np.stack([laid[block, corner], laid[block, corner + 1]], axis=1)

    def _hessian(self, here: Curvature, placed: Placed) -> FloatArray:
        """Hessian by coordinates, shape (blocks, 2 * width, 2 * width)."""
        block, corner = self.likelihood.block[:, None, None], 2 * self.likelihood.slot[:, None, None]
        i, j = corner + np.arange(2)[:, None], corner + np.arange(2)[None, :]
        jacobian = np.tile(np.eye(here.hessian.shape[1]), (len(here.value), 1, 1))
        jacobian[block, i, j] = placed.jacobian
        hessian = jacobian.transpose(0, 2, 1) @ here.hessian @ jacobian
        hessian[block, i, j] += np.einsum("nk,nkij->nij", here.gradient, placed.bend)
        return hessian

    def step(self, at: FloatArray) -> _Step:
        """Evaluate at these coordinates."""
        placed = self.placed(at)
        here = self.likelihood.at(placed.parameters)
        gradient = self._in_blocks(np.einsum("nk,nki->ni", here.gradient, placed.jacobian))
        hessian = self._hessian(here, placed)
        free = self._in_blocks(self.free.astype(np.float64)) > 0
        rows, first = np.arange(len(free)), 2 * self.likelihood.slot[self.owner]
        steep = np.where(free[:, :, None] & free[:, None], -hessian, 0.0)
        steep[:, np.arange(free.shape[1]), np.arange(free.shape[1])] += ~free
        bends = np.linalg.eigvalsh(steep)
        least = np.maximum(1e-3, 1e-12 * np.abs(bends).max(axis=1))
        ridge = np.where(bends[:, 0] > 1e-10, 0.0, least - bends[:, 0])
        pull = np.where(free, gradient, 0.0), np.where(free, hessian[rows, first], 0.0)
        solved = np.linalg.solve(steep + ridge[:, None, None] * np.eye(free.shape[1]), np.stack(pull, axis=2))
        across, tangent = solved[:, :, 0], solved[:, :, 1]
        return _Step(
            value=here.value,
            across=self._by_sample(across),
            gain=(across * pull[0]).sum(axis=1) / 2.0,
            slope=gradient[rows, first] + (across * pull[1]).sum(axis=1),
            curvature=hessian[rows, first, first] + (tangent * pull[1]).sum(axis=1),
            tangent=self._by_sample(tangent),
        )

    def lost(self, at: FloatArray) -> BoolArray:
        """Whether a block has left the shapes allowed, shape (blocks,)."""
        slope = self.placed(at).parameters[:, 1]
        lost = np.zeros(self.likelihood.block.max(initial=-1) + 1, dtype=bool)
        np.logical_or.at(lost, self.likelihood.block, (slope < SHAPE_LIMITS[0]) | (slope > SHAPE_LIMITS[1]))
        return lost

    def settle(self, at: FloatArray, still: BoolArray) -> tuple[FloatArray, _Step]:
        """Maximise over what is free, but for blocks that are to keep still."""
        block, here = self.likelihood.block, self.step(at)
        for _ in range(STEPS):
            resting = still | (here.gain < SETTLED) | self.lost(at)
            if resting.all():
                break
            length = np.where(resting, 0.0, np.minimum(1.0, 1.0 / np.maximum(self._size(here.across), 1e-300)))
            for _halving in range(HALVINGS):
                there = at + length[block, None] * here.across
                new = self.step(there)
                worse = ~(new.value >= here.value - 1e-13 * np.abs(here.value))
                if not worse.any():
                    break
                length[worse] *= 0.5
            at, here = there, new
        return at, here

    def _size(self, across: FloatArray) -> FloatArray:
        """Longest move of a log slope, or a fifth of an intercept's, in each block."""
        intercept = ~self.asked
        moved = np.maximum(np.abs(across[:, 0]), np.where(intercept, 0.2, 1.0) * np.abs(across[:, 1]))
        size = np.zeros(self.likelihood.block.max(initial=-1) + 1)
        np.maximum.at(size, self.likelihood.block, moved)
        return size


@dataclass(kw_only=True)
class _Search:
    """The search along the quantity; arrays by block unless said."""

    profile: _Profile
    side: float
    start: FloatArray
    top: FloatArray
    fall: FloatArray
    inside: FloatArray
    outside: FloatArray
    now: FloatArray
    wanted: FloatArray
    limit: FloatArray
    still: BoolArray
    at: FloatArray  # (samples, 2)
    tangent: FloatArray  # (samples, 2)

    def next(self) -> FloatArray:
        """Take the Newton step if it stays between what is known, else halve or go on."""
        gap, bounded = np.abs(self.outside - self.inside), np.isfinite(self.outside)
        further = np.abs(self.inside - self.start) + LEAP
        ahead = (self.wanted - self.inside) * self.side
        fits = (ahead > 0) & (ahead < np.where(bounded, gap, 3.0 * further))
        reach = np.where(bounded, gap / 2.0, further)
        there = np.where(fits, self.wanted, self.inside + self.side * reach)
        return np.where(self.still, self.now, there)

    def advance(self) -> None:
        """Go on to the next place, and learn from it."""
        profile, block, owner, there = self.profile, self.profile.likelihood.block, self.profile.owner, self.next()
        at = self.at + self.tangent * (there - self.now)[block, None]
        at[owner, 0] = np.where(profile.asked[owner], there, at[owner, 0])
        at, here = profile.settle(at, self.still)
        fallen, lost = np.maximum(self.top - here.value - here.gain, 0.0), profile.lost(at)
        within = fallen < self.fall
        self.inside, self.outside = np.where(within, there, self.inside), np.where(within, self.outside, there)
        root = np.sqrt(fallen)
        wanted = there + (root - np.sqrt(self.fall)) * 2.0 * root / np.where(here.slope == 0, -self.side, here.slope)
        close = np.abs(wanted - there) < CLOSE
        gone = within & (lost | (np.abs(there - self.start) > FARTHEST))
        self.limit = np.where(self.still, self.limit, np.where(gone, self.side * np.inf, wanted))
        self.still = self.still | close | gone
        # a place outside the shapes allowed is no place to start from
        self.now, self.wanted = np.where(lost, self.now, there), np.where(lost, np.nan, wanted)
        self.at = np.where(lost[block, None], self.at, at)
        self.tangent = np.where(lost[block, None], self.tangent, here.tangent)


def _search(profile: _Profile, maximum: FloatArray, fall: FloatArray, side: float) -> _Search:
    """Stand at the maximum, facing where a quadratic log-likelihood would have its limit."""
    owner, at = profile.owner, profile.located(maximum)
    start, here = at[owner, 0], profile.step(at)
    return _Search(
        profile=profile,
        side=side,
        start=start,
        top=here.value + here.gain,
        fall=fall[owner],
        inside=start,
        outside=np.full(len(start), side * np.inf),
        now=start,
        wanted=start + side * np.sqrt(2.0 * fall[owner] / np.maximum(-here.curvature, 1e-12)),
        limit=np.full(len(start), np.nan),
        still=~profile.asked[owner],
        at=at,
        tangent=here.tangent,
    )


def profile_limit(
    likelihood: Likelihood,
    maximum: FloatArray,
    *,
    coordinates: Coordinates,
    asked: BoolArray,
    fall: FloatArray,
    side: float,
) -> FloatArray:
    """Find where the profile log-likelihood of a quantity has fallen by so much, on one side of the maximum.

    Parameters
    ----------
    likelihood : Likelihood [1]
        Of all samples.
    maximum : float array, shape (samples, 2) [1]
        Intercept and slope at its maximum.
    coordinates : Coordinates [1]
        The quantity comes first.
    asked : bool array, shape (samples,) [yes or no]
        Samples whose quantity is wanted, at most one of those joined by masked causes.
    fall : float array, shape (samples,) [1]
        Half a quantile of chi-squared.
    side : float [1]
        -1: below the maximum, 1: above.

    Returns
    -------
    float array, shape (samples,) [1]
        The quantity there; infinite where the likelihood never falls so much; NaN where not asked or not found.

    References
    ----------
    Venzon & Moolgavkar (1988), Applied Statistics 37:87-94 (profile limits by Newton steps; from memory).

    Examples
    --------
    >>> from forecasting.coordinates import by_age
    >>> from forecasting.families import Family
    >>> from forecasting.lives import lives_of_one_sample
    >>> ages = [54.0, 187.0, 216.0]
    >>> likelihood = Likelihood(lives=lives_of_one_sample(lower=ages, upper=ages), families=(Family.EXPONENTIAL,))
    >>> scale, one = np.log(np.mean(ages) / likelihood.reference), np.ones(1)
    >>> limit = profile_limit(likelihood, np.stack([-scale, one], axis=1), coordinates=by_age(np.zeros(1)),
    ...                       asked=np.ones(1, dtype=bool), fall=one, side=1.0)[0] - scale
    >>> (3.0 * (limit + np.exp(-limit) - 1.0)).round(9)
    array([1.])
    """
    search = _search(
        _Profile(likelihood=likelihood, coordinates=coordinates, asked=asked), maximum, fall=fall, side=side
    )
    for _ in range(ROUNDS):
        search.advance()
        if search.still.all():
            break
    limit = np.where(search.still, search.limit, np.nan)
    return np.where(asked, limit[likelihood.block], np.nan)
