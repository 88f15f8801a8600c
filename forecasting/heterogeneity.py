"""From lives of one class and item to the groups in it, an area or a design, that fail more or less than the rest."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtrc, chdtri

from forecasting.arrays import BoolArray, FloatArray, IntArray, check, check_same_length
from forecasting.families import STANDARD, Family
from forecasting.lifetimes import Fitted
from forecasting.lives import Lives

__all__ = ["GroupContrast", "compare_groups"]

FEWEST = 3
"""Failures a group and the rest must each have; with fewer the chi-squared distribution isn't near enough."""
MOST_STEPS, HALVINGS = 60, 30
SMALLEST_GAIN = 1e-11
LONGEST_STEP = 1.0
LARGEST_HAZARD = 700.0


@dataclass(frozen=True, kw_only=True)
class GroupContrast:
    """How often one group of valves fails beside the rest of its class, at the same age.

    Parameters
    ----------
    service_class, item : str [codes]
        The sample.
    grouping, group : str [words]
        What the class is divided by, and which part of it this is.
    lives, failures : int [lives]
        Of the group.
    rest_failures : int [failures]
        Of the rest of the class.
    hazard_ratio, lower, upper : float [1]
        Hazard of the group over that of the rest, with likelihood-ratio limits.
    p : float [1]
        Of a ratio of 1, likelihood-ratio test.
    p_holm : float [1]
        The same, corrected for every comparison made at once (Holm).
    """

    service_class: str
    item: str
    grouping: str
    group: str
    lives: int
    failures: int
    rest_failures: int
    hazard_ratio: float
    lower: float
    upper: float
    p: float
    p_holm: float


@dataclass(frozen=True, kw_only=True)
class _Slopes:
    """Log-likelihood with derivatives in intercept, slope and log ratio: shapes (), (3,), (3, 3)."""

    value: float
    gradient: FloatArray
    curvature: FloatArray


@dataclass(frozen=True, kw_only=True)
class _Reached:
    """What may be reached by some ages: ratio x cumulative hazard, shapes (n,), (n, 3), (n, 3, 3)."""

    level: FloatArray
    first: FloatArray
    second: FloatArray


@dataclass(frozen=True, kw_only=True)
class _Divided:
    """Lives of one sample, those of one group marked; ages as logarithms about a reference.

    Hazards are proportional: the group's is a ratio times that of the rest, whose family is given. So a failure in an
    interval counts as just that.
    """

    family: Family
    inside: FloatArray
    exact: BoolArray
    failed: BoolArray
    entry: FloatArray
    lower: FloatArray
    upper: FloatArray

    def _reached(self, log_age: FloatArray, inside: FloatArray, at: FloatArray) -> _Reached:
        """Cumulative hazard by each age, with derivatives; before birth there is none."""
        born = np.isfinite(log_age)
        place = np.where(born, log_age, 0.0)
        growth = STANDARD[self.family].growth(at[0] + at[1] * place)
        ratio = np.exp(at[2] * inside) * born
        direction = np.stack([np.ones(len(place)), place], axis=1)
        level, hazard = ratio * growth.cumulative, ratio * growth.hazard
        first = np.concatenate([hazard[:, None] * direction, (level * inside)[:, None]], axis=1)
        second = np.zeros((len(place), 3, 3))
        second[:, :2, :2] = (ratio * growth.bend)[:, None, None] * direction[:, :, None] * direction[:, None, :]
        second[:, 2, :] = second[:, :, 2] = first * inside[:, None]
        return _Reached(level=level, first=first, second=second)

    def _of_exact(self, at: FloatArray) -> _Slopes:
        """Log hazards at exact failures."""
        place, inside = self.lower[self.exact], self.inside[self.exact]
        growth = STANDARD[self.family].growth(at[0] + at[1] * place)
        direction = np.stack([np.ones(len(place)), place], axis=1)
        curvature = np.zeros((3, 3))
        curvature[:2, :2] = (growth.twist[:, None] * direction).T @ direction
        curvature[1, 1] -= len(place) / at[1] ** 2
        gradient = np.array([*(growth.turn @ direction), inside.sum()])
        gradient[1] += len(place) / at[1]
        value = float((growth.log_hazard + at[2] * inside).sum() + len(place) * np.log(at[1]))
        return _Slopes(value=value, gradient=gradient, curvature=curvature)

    def at(self, at: FloatArray) -> _Slopes:
        """Log-likelihood at intercept, slope and log ratio."""
        ranged = self.failed & ~self.exact
        entered = self._reached(self.entry, self.inside, at)
        lower = self._reached(self.lower, self.inside, at)
        upper = self._reached(self.upper[ranged], self.inside[ranged], at)
        across = np.maximum(upper.level - lower.level[ranged], np.finfo(np.float64).tiny)
        first, second = upper.first - lower.first[ranged], upper.second - lower.second[ranged]
        weight = 1.0 / np.expm1(np.minimum(across, LARGEST_HAZARD))
        exact = self._of_exact(at)
        value = exact.value + (entered.level - lower.level).sum() + np.log(-np.expm1(-across)).sum()
        bent = ((weight + weight**2)[:, None] * first).T @ first
        return _Slopes(
            value=float(value),
            gradient=exact.gradient + (entered.first - lower.first).sum(axis=0) + weight @ first,
            curvature=exact.curvature
            + (entered.second - lower.second).sum(axis=0)
            + np.tensordot(weight, second, axes=1)
            - bent,
        )


def _highest(divided: _Divided, start: FloatArray, free: IntArray) -> FloatArray | None:
    """Climb by damped Newton steps in the free parameters; None where nothing higher is reached and it isn't level."""
    at, now = start, divided.at(start)
    for _ in range(MOST_STEPS):
        slope = now.gradient[free]
        bend, directions = np.linalg.eigh(-now.curvature[np.ix_(free, free)])
        step = directions @ ((directions.T @ slope) / np.maximum(np.abs(bend), 1e-9))
        if slope @ step <= SMALLEST_GAIN:
            return at if bend.min() > 0.0 else None
        step *= min(1.0, LONGEST_STEP / float(np.abs(step).max()))
        for _ in range(HALVINGS):
            tried = at.copy()
            tried[free] += step
            if tried[1] > 0.0 and (there := divided.at(tried)).value > now.value:
                break
            step = step / 2.0
        else:
            return at if bend.min() > 0.0 else None
        at, now = tried, there
    return None


def _limit(divided: _Divided, top: FloatArray, free: IntArray, *, drop: float, error: float) -> float:
    """Log ratio, on the side of `error`, at which the best log-likelihood has fallen by `drop`; NaN if not found."""
    wanted, at = divided.at(top).value - drop, top.copy()
    at[2] += error * np.sqrt(2.0 * drop)
    for _ in range(MOST_STEPS):
        best = _highest(divided, at, free)
        if best is None:
            return float("nan")
        there = divided.at(best)
        move = (wanted - there.value) / there.gradient[2]
        at = best.copy()
        at[2] += np.clip(move, -LONGEST_STEP, LONGEST_STEP)
        if abs(move) < 1e-8:
            return float(at[2])
    return float("nan")


def _divided(lives: Lives, lifetime: Fitted, inside: BoolArray) -> tuple[_Divided, FloatArray]:
    """Mark the group, and begin at the lifetime of the whole class."""
    failed = np.isfinite(lives.upper) & (lives.sharing == 1)
    with np.errstate(divide="ignore"):
        entry, lower, upper = (np.log(ages / lifetime.scale) for ages in (lives.entry, lives.lower, lives.upper))
    divided = _Divided(
        family=lifetime.family,
        inside=inside.astype(np.float64),
        exact=failed & (lives.lower == lives.upper),
        failed=failed,
        entry=entry,
        lower=lower,
        upper=upper,
    )
    return divided, np.array([0.0, lifetime.shape, 0.0])


def _contrast(lives: Lives, lifetime: Fitted, inside: BoolArray, *, level: float) -> GroupContrast | None:
    """Compare the marked lives with the rest; None with too few failures, or where there is no maximum."""
    failed = np.isfinite(lives.upper) & (lives.sharing == 1)
    own, rest = int(np.count_nonzero(failed & inside)), int(np.count_nonzero(failed & ~inside))
    if min(own, rest) < FEWEST:
        return None
    divided, start = _divided(lives, lifetime, inside)
    shaped = np.array([0] if lifetime.family is Family.EXPONENTIAL else [0, 1])
    alike = _highest(divided, start, shaped)
    top = None if alike is None else _highest(divided, alike, np.append(shaped, 2))
    if alike is None or top is None:
        return None
    both = np.append(shaped, 2)
    error = float(np.sqrt(np.linalg.inv(-divided.at(top).curvature[np.ix_(both, both)])[-1, -1]))
    drop = float(chdtri(1, 1.0 - level)) / 2.0
    limits = [np.exp(_limit(divided, top, shaped, drop=drop, error=side * error)) for side in (-1.0, 1.0)]
    p = float(chdtrc(1, max(0.0, 2.0 * (divided.at(top).value - divided.at(alike).value))))
    service_class, item = lives.samples[0]
    return GroupContrast(
        service_class=service_class,
        item=item,
        grouping="",
        group="",
        lives=int(np.count_nonzero(inside)),
        failures=own,
        rest_failures=rest,
        hazard_ratio=float(np.exp(top[2])),
        lower=float(limits[0]),
        upper=float(limits[1]),
        p=p,
        p_holm=p,
    )


def _corrected(contrasts: Sequence[GroupContrast]) -> tuple[GroupContrast, ...]:
    """Multiply each p by the number of those not smaller, never below a smaller one's (Holm)."""
    p = np.array([one.p for one in contrasts])
    order = np.argsort(p, kind="stable")
    raised = np.empty(len(p))
    raised[order] = np.minimum(1.0, np.maximum.accumulate(p[order] * np.arange(len(p), 0, -1)))
    return tuple(replace(one, p_holm=float(value)) for one, value in zip(contrasts, raised, strict=True))


def _of_one_sample(
    lives: Lives, lifetime: Fitted, valves: Sequence[str], groups: Mapping[str, Mapping[str, str]], *, level: float
) -> Iterator[GroupContrast]:
    """Compare every group of one class with the rest; of two groups one comparison says all."""
    for grouping, group_of in groups.items():
        member = np.array([group_of.get(valve, "") for valve in valves])
        names = sorted({*member.tolist()} - {""})
        found = [(name, _contrast(lives, lifetime, member == name, level=level)) for name in names]
        seen = [replace(one, grouping=grouping, group=name) for name, one in found if one is not None]
        if len(names) == 2 and (member != "").all():
            seen = sorted(seen, key=lambda one: -one.hazard_ratio)[:1]
        yield from seen


def compare_groups(
    lives: Lives,
    *,
    valves: Sequence[str],
    lifetimes: Mapping[tuple[str, str], Fitted],
    groups: Mapping[str, Mapping[str, str]],
    level: float = 0.95,
) -> tuple[GroupContrast, ...]:
    """Find areas or designs that fail more, or less, than the rest of their class at the same age.

    Proportional hazards: the hazard of a group is a ratio times that of the rest, whose family is that of the class and
    whose scale and shape are estimated anew with the ratio. All lives count as they are: exact, right-censored, in an
    interval, entered late.

    Parameters
    ----------
    lives : Lives [days]
        Of all samples. A failure whose item isn't said counts as a life still running at its lower age.
    valves : sequence of str, one per life [tags]
        Whose lives they are.
    lifetimes : mapping from sample to lifetime [days]
        Own maximum-likelihood fit of each class and item; without one, nothing is compared.
    groups : mapping from grouping to valve to group [words]
        What to divide by; valves left out belong to the rest.
    level : float in (0, 1) [1]
        Of the limits.

    Returns
    -------
    tuple of GroupContrast [1]
        Where group and rest have 3 failures or more each; of a class in two groups the worse. Corrected for all of them
        together.

    Raises
    ------
    InvalidInput
        If there isn't one valve per life, or `level` is out of range.

    References
    ----------
    Meeker & Escobar (1998), Statistical Methods for Reliability Data, sections 17.2 to 17.4; Holm (1979), Scandinavian
    Journal of Statistics 6:65-70 (both from memory); lifelines' regression with intervals and late entry gives the same
    ratios, tests/reference/SOURCES.md.

    Examples
    --------
    >>> from forecasting.lifetimes import Weibull
    >>> from forecasting.lives import lives_of_one_sample
    >>> ages = [30.0, 50.0, 60.0, 300.0, 500.0, 600.0]
    >>> (worse,) = compare_groups(
    ...     lives_of_one_sample(lower=ages, upper=ages), valves=["A", "A", "A", "B", "B", "B"],
    ...     lifetimes={("", ""): Weibull(scale=250.0, shape=1.0)}, groups={"area": {"A": "north", "B": "south"}},
    ... )
    >>> worse.group, worse.hazard_ratio > 10.0, worse.p_holm < 0.01
    ('north', True, True)
    """
    check_same_length(valves=list(valves), lives=lives.entry)
    check(0.0 < level < 1.0, f"`level` must lie between 0 and 1, got {level!r}")
    found: list[GroupContrast] = []
    tags = np.array(list(valves), dtype=object)
    for number, sample in enumerate(lives.samples):
        if sample in lifetimes:
            own = tags[lives.sample == number].tolist()
            shared = replace(lives, upper=np.where(lives.sharing == 1, lives.upper, np.inf))
            found += _of_one_sample(shared.of_samples([number]), lifetimes[sample], own, groups, level=level)
    return _corrected(found)
