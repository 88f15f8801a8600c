"""The Weibull maximum of lives whose failures are dated: with the scale eliminated one concave function is left.

With d failures, x the log ages at the end and y those at entry, the scale at a given shape k solves

    scale^k = A / d,   A = sum of exp(k x) - sum of exp(k y),

which leaves, per failure, p(k) = log k + k * mean of the failures' x - log A. A / k is the sum over lives of the
integral of exp(k s) from y to x (from minus infinity for a life watched from new), so its logarithm is the cumulant
function of a measure on log age: convex, and p concave. There is one maximum at most, with late entry as without; there
is none where p still rises at the largest shape allowed or falls at the smallest.
"""

from dataclasses import dataclass

import numpy as np

from forecasting.arrays import BoolArray, FloatArray, IntArray
from forecasting.lives import Lives
from forecasting.segments import Segments, segments_of

__all__ = ["Profiles", "profile_maxima"]

ROUNDS = 100
CLOSE = 1e-7
"""A relative step after which quadratic convergence has the shape to rounding."""
NEAR, ENOUGH = 1e-5, 1e-11
"""Below such a step the last two steps say how long the next would be; so short it isn't taken."""
ROWS = 16_384
"""Rows worked on at once: they stay in the processor's cache."""
LONGEST = 3.0
"""The shape at most grows or shrinks by this factor in a step."""
EXTREME_OVER_NORMAL = float(np.pi / np.sqrt(6.0))
"""Shape times spread of log age, of a Weibull without censoring."""


@dataclass(frozen=True, kw_only=True)
class Profiles:
    """The highest point of each sample's profile.

    Parameters
    ----------
    shape, scale : float array, shape (samples,) [1, days]
        Where it is; the shape at a limit where the profile leads beyond it.
    log_likelihood : float array, shape (samples,) [1]
        Its height, with the density's constant on the scale of the ages.
    curvature : float array, shape (samples,) [1]
        Minus its second derivative by log shape: about the number of failures.
    """

    shape: FloatArray
    scale: FloatArray
    log_likelihood: FloatArray
    curvature: FloatArray


@dataclass(frozen=True, kw_only=True)
class _Piece:
    """Log ages of some rows, and whose they are."""

    log_age: FloatArray  # (rows,)
    segments: Segments


@dataclass(frozen=True, kw_only=True)
class _Dated:
    """What the profile needs of the lives, log ages over the largest of each sample."""

    ends: list[_Piece]
    entries: list[_Piece]
    top: FloatArray  # (samples,) log of the largest age
    failures: IntArray  # (samples,)
    mean: FloatArray  # (samples,) of the failures' log ages
    from_new: BoolArray  # (samples,) whether any life was watched from new


@dataclass(frozen=True, kw_only=True)
class _Slope:
    """The profile per failure at some shape: its first two derivatives, log A and the cumulants of log age."""

    score: FloatArray
    bend: FloatArray
    log_power: FloatArray
    ratio: FloatArray
    spread: FloatArray


def _pieces(log_age: FloatArray, sample: IntArray, samples: int) -> list[_Piece]:
    """Cut sorted rows into pieces."""
    pieces = []
    for begin in range(0, len(log_age), ROWS):
        own = slice(begin, begin + ROWS)
        segments = segments_of(sample[own], samples=samples)
        pieces.append(_Piece(log_age=log_age[own], segments=segments))
    return pieces


def _start(dated: _Dated) -> FloatArray:
    """Where the score is 0 with exp(k x) taken to first order in k, put right for lives without censoring."""
    sums = np.zeros((3, len(dated.mean)))
    for piece in dated.ends:
        rows, segments = piece.log_age, piece.segments
        sums += np.stack([segments.size(), segments.total(rows), segments.total(rows * rows)])
    middle, squares = sums[1:] / np.maximum(sums[0], 1.0)
    variance = np.maximum(squares - middle**2, 1e-12)
    lead = middle - dated.mean
    start: FloatArray = EXTREME_OVER_NORMAL * (np.sqrt(lead**2 + 4.0 * variance) - lead) / (2.0 * variance)
    return start


def _dated(lives: Lives, segments: Segments) -> _Dated:
    """Put the lives into the columns of the profile; rows without time watched add nothing but their failure."""
    samples, sample = len(lives.samples), lives.sample
    watched, failed = lives.lower > lives.entry, np.isfinite(lives.upper)
    log_age = np.log(lives.lower if watched.all() else np.where(lives.lower > 0, lives.lower, 1.0))
    top = segments.largest(log_age if watched.all() else np.where(watched, log_age, -np.inf))
    log_age -= np.repeat(top[segments.present], segments.length)
    failures = segments.count(failed)
    mean = segments.total(log_age * failed) / failures
    if not watched.all():
        rows = np.flatnonzero(watched)
        log_age, sample = log_age[rows], sample[rows]
    late = np.flatnonzero((lives.entry > 0) & watched)
    late_sample = lives.sample[late]
    lately = segments_of(late_sample, samples=samples)
    log_entry = np.log(lives.entry[late])
    log_entry -= np.repeat(top[lately.present], lately.length)
    ends = segments_of(sample, samples=samples)
    return _Dated(
        ends=_pieces(log_age, sample, samples),
        entries=_pieces(log_entry, late_sample, samples),
        top=top,
        failures=failures,
        mean=mean,
        from_new=ends.size() > lately.size(),
    )


def _add_powers(powers: FloatArray, pieces: list[_Piece], shape: FloatArray, moving: BoolArray, sign: float) -> None:
    """Add age^k and its first two derivatives by k to the powers of the samples, shape (3, samples)."""
    for piece in pieces:
        sample, first = piece.segments.present, piece.segments.first
        if not moving[sample].any():
            continue
        power = np.repeat(shape[sample], piece.segments.length)
        power *= piece.log_age
        np.exp(power, out=power)
        powers[0, sample] += sign * np.add.reduceat(power, first)
        for order in (1, 2):
            power *= piece.log_age
            powers[order, sample] += sign * np.add.reduceat(power, first)


def _slope(dated: _Dated, shape: FloatArray, moving: BoolArray, last: FloatArray) -> _Slope:
    """Evaluate the profile of the samples that move."""
    powers = np.zeros((3, len(shape)))
    _add_powers(powers, dated.ends, shape, moving, 1.0)
    _add_powers(powers, dated.entries, shape, moving, -1.0)
    np.copyto(powers, last, where=~moving)
    np.copyto(last, powers)
    ratio = powers[1] / powers[0]
    spread = powers[2] / powers[0] - ratio**2
    return _Slope(
        score=1.0 / shape + dated.mean - ratio,
        bend=-1.0 / shape**2 - spread,
        log_power=np.log(powers[0]),
        ratio=ratio,
        spread=spread,
    )


def _next(dated: _Dated, shape: FloatArray, slope: _Slope) -> FloatArray:
    """Newton's next shape: in 1 / shape, in which the score is nearly straight, if a life was watched from new."""
    part = slope.score / (shape * np.minimum(slope.bend, -1e-300))
    factor = np.where(dated.from_new, 1.0 / np.maximum(1.0 + part, 1.0 / LONGEST), 1.0 - part)
    following: FloatArray = shape * np.clip(factor, 1.0 / LONGEST, LONGEST)
    return following


def profile_maxima(lives: Lives, *, shape_limits: tuple[float, float]) -> Profiles:
    """Find the highest point of the profile likelihood of every sample.

    Newton on the shape between bounds that the sign of the score tightens, a bisection where a step would leave them.

    Parameters
    ----------
    lives : Lives [days]
        Sorted by sample. Failures are dated and no cause is masked; every sample has a failure and time watched.
    shape_limits : (float, float) [1]
        Shapes the search stays between.

    Returns
    -------
    Profiles [1]
        One per sample, in order.

    References
    ----------
    Lawless (2003), Statistical Models and Methods for Lifetime Data, section 5.2 (the score of the shape, from memory);
    the concavity with late entry is derived above.

    Examples
    --------
    >>> from forecasting.lives import lives_of_one_sample
    >>> ages = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386] + 10 * [500]
    >>> lives = lives_of_one_sample(lower=ages, upper=ages[:10] + 10 * [np.inf])
    >>> profile_maxima(lives, shape_limits=(0.02, 200.0)).shape.round(4)
    array([1.7208])
    """
    dated = _dated(lives, segments_of(lives.sample, samples=len(lives.samples)))
    shape = np.clip(_start(dated), *shape_limits)
    low, high = np.full(len(shape), shape_limits[0]), np.full(len(shape), shape_limits[1])
    moving, powers = np.ones(len(shape), dtype=bool), np.ones((3, len(shape)))
    last = np.zeros(len(shape))
    for _ in range(ROUNDS):
        slope = _slope(dated, shape, moving, powers)
        np.copyto(low, shape, where=slope.score > 0)
        np.copyto(high, shape, where=slope.score <= 0)
        there = np.clip(_next(dated, shape, slope), *shape_limits)
        now = np.abs(there / shape - 1.0)
        moving &= (now > CLOSE) & ((now > NEAR) | (now**3 > ENOUGH * last**2))
        if not moving.any():
            break
        last = now
        there = np.where((there < low) | (there > high), np.sqrt(low * high), there)
        shape = np.where(moving, there, shape)
    step = there - shape
    log_power = slope.log_power + step * (slope.ratio + step * slope.spread / 2.0)
    log_failures = np.log(dated.failures)
    height = np.log(there) + (there - 1.0) * dated.mean - dated.top - log_power + log_failures - 1.0
    return Profiles(
        shape=there,
        scale=np.exp(dated.top + (log_power - log_failures) / there),
        log_likelihood=dated.failures * height,
        curvature=-dated.failures * slope.bend * shape**2,
    )
