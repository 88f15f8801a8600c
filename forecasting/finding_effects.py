"""What a doubtful event does to the forecast: the change of scale and of kits a year if it were not read."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.clocks import Life
from forecasting.histories import Finding, History
from forecasting.likelihood import Likelihood
from forecasting.lives import Lives
from forecasting.pooling import InUse
from forecasting.watching import watch

__all__ = ["Effect", "effects_of_findings"]

LARGEST_STEP = 0.5
"""A step of log scale beyond this is no longer told by the curvature where it began (our convention)."""
Sample = tuple[str, str]


@dataclass(frozen=True, kw_only=True)
class Effect:
    """What would change if the event of a finding were not read.

    Parameters
    ----------
    scale_change : float or None [1]
        Relative change of the scale of the class and item that moves most; None: see `reason`.
    kits_per_year_change : float or None [kits a year]
        Of all items it bears on, in the long run; None: see `reason`.
    words : str [text]
        Both in a sentence; empty: nothing to say.
    reason : str [text]
        Why there is no number; empty: there is.
    """

    scale_change: float | None
    kits_per_year_change: float | None
    words: str = ""
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class _Part:
    """Lives of one valve with the event read (sign -1) or not (+1)."""

    place: int
    sign: float
    lives: tuple[Life, ...]


def _without(history: History, ref: str, *, as_of: int) -> tuple[Life, ...] | None:
    """Lives of a valve without one event; None: not one event has that name."""
    kept = tuple(event for event in history.events if event.ref != ref)
    if len(kept) != len(history.events) - 1:
        return None
    return watch(replace(history, events=kept), as_of=as_of).lives


def _columns(parts: Sequence[_Part]) -> tuple[Lives, list[tuple[_Part, Sample]]]:
    """Put the lives of all parts into one set of columns, a sample of its own for each part, class and item."""
    samples: dict[tuple[int, Sample], int] = {}
    causes: dict[tuple[int, int], int] = {}
    rows = [
        (
            samples.setdefault((number, (life.service_class, life.item)), len(samples)),
            life.entry,
            life.lower,
            life.upper,
            causes.setdefault((number, life.cause), len(causes)),
        )
        for number, part in enumerate(parts)
        for life in part.lives
    ]
    sample, entry, lower, upper, cause = zip(*rows, strict=True)
    lives = Lives(
        samples=tuple((f"{number} {own[0]}", own[1]) for number, own in samples),
        sample=np.array(sample, dtype=np.int64),
        entry=np.array(entry, dtype=np.float64),
        lower=np.array(lower, dtype=np.float64),
        upper=np.array(upper, dtype=np.float64),
        cause=np.array(cause, dtype=np.int64),
    )
    return lives, [(parts[number], own) for number, own in samples]


def _scores(parts: Sequence[_Part], in_use: Mapping[Sample, InUse]) -> dict[tuple[int, Sample], FloatArray]:
    """Change of the gradient by log scale and log shape, by finding and sample."""
    lives, owners = _columns(parts)
    lifetimes = [in_use[own].lifetime for _, own in owners]
    shape = np.array([1.0 if one is None else one.shape for one in lifetimes])
    scale = np.array([1.0 if one is None else one.scale for one in lifetimes])
    families = tuple(one.family for one in lifetimes if one is not None)
    likelihood = Likelihood(lives=lives, families=families)
    intercept = shape * np.log(likelihood.reference / scale)
    gradient = likelihood.at(np.stack([intercept, shape], axis=1)).gradient  # (samples, 2)
    by_logs = np.stack([-shape * gradient[:, 0], intercept * gradient[:, 0] + shape * gradient[:, 1]], axis=1)
    changes: dict[tuple[int, Sample], FloatArray] = {}
    for (part, own), score in zip(owners, by_logs, strict=True):
        changes[part.place, own] = changes.get((part.place, own), np.zeros(2)) + part.sign * score
    return changes


def _step(one: InUse, change: FloatArray) -> float:
    """Step of log scale: the posterior covariance times the change of the gradient (one Newton step)."""
    scale_sd, shape_sd = one.log_scale_sd or 0.0, one.log_shape_sd or 0.0
    covariance = np.array([scale_sd**2, (one.correlation or 0.0) * scale_sd * shape_sd])
    return float(covariance @ change)


def _effect(steps: Mapping[Sample, float], kits_per_year: Mapping[Sample, float]) -> Effect:
    """Say what these steps of log scale come to."""
    (service_class, item), most = max(steps.items(), key=lambda pair: (abs(pair[1]), pair[0]))
    if not abs(most) <= LARGEST_STEP:
        return Effect(
            scale_change=None, kits_per_year_change=None, reason="the change is too large for one step to tell"
        )
    scale = float(np.expm1(most))
    kits = -sum(kits_per_year.get(sample, 0.0) * float(-np.expm1(-step)) for sample, step in steps.items())
    words = f"if it weren't read: scale of {item} in {service_class} {scale:+.2%}, {kits:+.3g} kits a year"
    return Effect(scale_change=scale, kits_per_year_change=kits, words=words)


def effects_of_findings(
    findings: Sequence[Finding],
    histories: Sequence[History],
    lifetimes: Sequence[InUse],
    *,
    kits_per_year: Mapping[Sample, float],
    as_of: int,
) -> dict[int, Effect]:
    """Say what each finding's event does to the forecast: how it would change if the event were not read.

    The lives of its valve are told once more without the event; log scale moves by the class's posterior covariance
    times the change of the gradient. That is one Newton step, not a new fit: family, pool and curvature are kept.
    Kits a year follow as 1 / scale, the long-run rate of renewals that wait for failure.

    Parameters
    ----------
    findings : sequence of Finding [findings]
        Of a run.
    histories : sequence of History [day numbers]
        As the run read them.
    lifetimes : sequence of InUse [days]
        What each class and item is forecast with.
    kits_per_year : mapping from (service class, item) to kits [kits a year]
        Unplanned.
    as_of : int [day number]
        Data cut-off.

    Returns
    -------
    dict from place in `findings` to Effect [effects]
        Only those whose event has a name of its own on its valve.

    References
    ----------
    Cook & Weisberg (1982), Residuals and Influence in Regression, section 5.2 (one-step case deletion; from memory).

    Examples
    --------
    >>> effects_of_findings([], [], [], kits_per_year={}, as_of=0)
    {}
    """
    of_valve = {history.valve: history for history in histories}
    in_use = {(one.service_class, one.item): one for one in lifetimes if one.lifetime is not None}
    parts: list[_Part] = []
    told: dict[int, Effect] = {}
    for place, finding in enumerate(findings):
        history = of_valve.get(finding.valve)
        without = _without(history, finding.ref, as_of=as_of) if history is not None and finding.ref else None
        if history is None or without is None:
            continue
        told[place] = Effect(scale_change=0.0, kits_per_year_change=0.0)
        with_it = watch(history, as_of=as_of).lives
        if with_it != without:
            parts += [
                _Part(place=place, sign=sign, lives=tuple(_known(lives, in_use)))
                for sign, lives in ((-1.0, with_it), (1.0, without))
            ]
    if any(part.lives for part in parts):
        steps: dict[int, dict[Sample, float]] = {}
        for (place, sample), change in _scores(parts, in_use).items():
            steps.setdefault(place, {})[sample] = _step(in_use[sample], change)
        told |= {place: _effect(by_sample, kits_per_year) for place, by_sample in steps.items()}
    return told


def _known(lives: Sequence[Life], in_use: Mapping[Sample, InUse]) -> list[Life]:
    """Lives whose class and item has a lifetime."""
    return [life for life in lives if (life.service_class, life.item) in in_use]
