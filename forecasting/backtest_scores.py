"""Scores of past forecasts: distributions of every method and what came in, a row per kit and method out."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.scoring import crps, interval_cover, pinball, probability_table, quantiles

__all__ = ["ANY_TARGET", "Case", "Score", "Unit", "Verdict", "scores_of"]

ANY_TARGET = 0.9
"""Quantile scored where no level has a target."""


@dataclass(frozen=True, kw_only=True)
class Unit:
    """What is forecast from every origin.

    Parameters
    ----------
    storeroom, kit : str [codes]
        Storeroom "": the whole plant; kit "": all of them together.
    days : float [days]
        How far ahead.
    target : float in (0, 1) [1]
        Of the quantile that is scored.
    present : int or None [kits]
        The level kept today.
    """

    storeroom: str
    kit: str
    days: float
    target: float = ANY_TARGET
    present: int | None = None


@dataclass(frozen=True, kw_only=True)
class Case:
    """One unit forecast from one origin.

    Parameters
    ----------
    unit : Unit [unit]
        What.
    origin : int [day number]
        From when.
    came : int [kits]
        What was taken.
    distributions : mapping from method to float array, shape (n,) [1]
        P(D = 0), P(D = 1), ...
    """

    unit: Unit
    origin: int
    came: int
    distributions: Mapping[str, FloatArray]


class Verdict(StrEnum):
    """Our forecast beside another method."""

    BETTER = "better"
    ALIKE = "alike"
    WORSE = "worse"
    UNKNOWN = "too few origins"
    NONE = ""


@dataclass(frozen=True, kw_only=True)
class Score:
    """How good a method was for a unit, means over the origins.

    Parameters
    ----------
    unit : Unit [unit]
        What was forecast.
    method : str [word]
        By what.
    forecasts : int [forecasts]
        How many were scored.
    came, bias : float [kits]
        What came, and expected less what came; a level expects nothing.
    cover_80, cover_90 : float or None [1]
        Randomised coverage of central intervals.
    crps : float or None [kits]
        Continuous ranked probability score; smaller is better.
    pinball : float [kits]
        Cost of the quantile at the target, or of the level kept; smaller is better.
    reached : float [1]
        Share of the forecasts in which that quantile, or level, was enough.
    difference, difference_error : float or None [kits]
        Ours less this method in crps (in pinball, for a level kept), and its standard error over origins.
    verdict : Verdict [word]
        Beyond one standard error.
    """

    unit: Unit
    method: str
    forecasts: int
    came: float
    bias: float | None
    cover_80: float | None
    cover_90: float | None
    crps: float | None
    pinball: float
    reached: float
    difference: float | None = None
    difference_error: float | None = None
    verdict: Verdict = Verdict.NONE


@dataclass(frozen=True, kw_only=True)
class _Marks:
    """Scores of one method, each shape (cases,); a level kept has no distribution."""

    origin: FloatArray
    came: FloatArray
    mean: FloatArray | None
    cover_80: FloatArray | None
    cover_90: FloatArray | None
    crps: FloatArray | None
    pinball: FloatArray
    reached: FloatArray


def _marks(cases: Sequence[Case], method: str, target: float) -> _Marks:
    """Score one method's distributions for one unit."""
    table = probability_table([case.distributions[method] for case in cases])
    came = [case.came for case in cases]
    stated = quantiles(table, target)
    return _Marks(
        origin=np.array([case.origin for case in cases], dtype=np.float64),
        came=np.array(came, dtype=np.float64),
        mean=table @ np.arange(table.shape[1]),
        cover_80=interval_cover(table, came, level=0.8),
        cover_90=interval_cover(table, came, level=0.9),
        crps=crps(table, came),
        pinball=pinball(stated, came, level=target),
        reached=np.asarray(stated >= came, dtype=np.float64),
    )


def _level_marks(cases: Sequence[Case], level: int, target: float) -> _Marks:
    """Score a level that is kept."""
    came = np.array([case.came for case in cases], dtype=np.float64)
    stated = np.full(len(cases), float(level))
    return _Marks(
        origin=np.array([case.origin for case in cases], dtype=np.float64),
        came=came,
        mean=None,
        cover_80=None,
        cover_90=None,
        crps=None,
        pinball=pinball(stated, came, level=target),
        reached=np.asarray(stated >= came, dtype=np.float64),
    )


def _together(marks: Sequence[_Marks]) -> _Marks:
    """Put the scores of several units one after the other."""

    def joined(name: str) -> FloatArray:
        return np.concatenate([getattr(one, name) for one in marks])

    whole = all(one.crps is not None for one in marks)
    return _Marks(
        origin=joined("origin"),
        came=joined("came"),
        mean=joined("mean") if whole else None,
        cover_80=joined("cover_80") if whole else None,
        cover_90=joined("cover_90") if whole else None,
        crps=joined("crps") if whole else None,
        pinball=joined("pinball"),
        reached=joined("reached"),
    )


def _error(differences: FloatArray, origins: FloatArray, days: float) -> float | None:
    """Estimate the error of the mean difference: origins, not kits, are the sample, and horizons overlap."""
    days_of = np.unique(origins)
    if len(days_of) < 2:
        return None
    means = np.array([differences[origins == day].mean() for day in days_of])
    step = float(np.diff(days_of).min())
    shared = np.maximum(1.0 - step * np.arange(1, len(days_of)) / days, 0.0).sum()
    return float(means.std(ddof=1) * np.sqrt((1.0 + 2.0 * shared) / len(means)))


def _verdict(difference: float, error: float | None) -> Verdict:
    """Say which of the two was better, beyond one standard error."""
    if error is None:
        return Verdict.UNKNOWN
    if abs(difference) <= error:
        return Verdict.ALIKE
    return Verdict.WORSE if difference > 0.0 else Verdict.BETTER


def _mean(values: FloatArray | None) -> float | None:
    """Average, where there is something to average."""
    return None if values is None else float(values.mean())


def _score(unit: Unit, method: str, marks: _Marks) -> Score:
    """Average over the cases."""
    return Score(
        unit=unit,
        method=method,
        forecasts=len(marks.came),
        came=float(marks.came.mean()),
        bias=None if marks.mean is None else float((marks.mean - marks.came).mean()),
        cover_80=_mean(marks.cover_80),
        cover_90=_mean(marks.cover_90),
        crps=_mean(marks.crps),
        pinball=float(marks.pinball.mean()),
        reached=float(marks.reached.mean()),
    )


def _differences(own: _Marks, other: _Marks) -> FloatArray:
    """Lay two methods' scores beside each other, case by case."""
    if own.crps is None or other.crps is None:
        return own.pinball - other.pinball
    return own.crps - other.crps


def _beside(unit: Unit, marks: Mapping[str, _Marks], ours: str) -> list[Score]:
    """Score every method, and the others beside ours."""
    scores = [_score(unit, ours, marks[ours])]
    for method, other in marks.items():
        if method == ours:
            continue
        own = marks[ours]
        differences = _differences(own, other)
        error, difference = _error(differences, own.origin, unit.days), float(differences.mean())
        scores.append(
            replace(
                _score(unit, method, other),
                difference=difference,
                difference_error=error,
                verdict=_verdict(difference, error),
            )
        )
    return scores


def scores_of(cases: Sequence[Case], *, ours: str, present: str) -> tuple[Score, ...]:
    """Score every unit and method, all kits of the plant together first, and all levels together.

    Parameters
    ----------
    cases : sequence of Case [kits]
        Every unit from every origin.
    ours, present : str [words]
        The method the others are laid beside; the name of the level that is kept.

    Returns
    -------
    tuple of Score [kits]
        Units in order of storeroom and kit. A level kept is scored where it is stated.

    References
    ----------
    Diebold & Mariano (1995), Journal of Business & Economic Statistics 13:253-263 (differences of overlapping
    forecasts; from memory).

    Examples
    --------
    >>> unit = Unit(storeroom="", kit="K", days=30.0)
    >>> sure = Case(unit=unit, origin=0, came=1, distributions={"a": np.array([0.0, 1.0]), "b": np.array([1.0])})
    >>> [(one.unit.kit, one.method, one.crps) for one in scores_of([sure], ours="a", present="level")]
    [('', 'a', 0.0), ('', 'b', 1.0), ('K', 'a', 0.0), ('K', 'b', 1.0)]
    """
    by_unit: dict[Unit, list[Case]] = defaultdict(list)
    for case in cases:
        by_unit[case.unit].append(case)
    marks: dict[Unit, dict[str, _Marks]] = {}
    for unit, own in sorted(by_unit.items(), key=lambda pair: (pair[0].storeroom, pair[0].kit)):
        marks[unit] = {method: _marks(own, method, unit.target) for method in own[0].distributions}
        if unit.present is not None:
            marks[unit][present] = _level_marks(own, unit.present, unit.target)
    plant = {unit: by_method for unit, by_method in marks.items() if not unit.storeroom}
    return (
        *_all_kits(plant, ours),
        *(score for unit, by_method in marks.items() for score in _beside(unit, by_method, ours)),
    )


def _all_kits(marks: Mapping[Unit, Mapping[str, _Marks]], ours: str) -> list[Score]:
    """Score all kits of the plant together."""
    if not marks:
        return []
    methods = next(iter(marks.values()))
    together = {method: _together([by_method[method] for by_method in marks.values()]) for method in methods}
    days = next(iter(marks)).days
    return _beside(Unit(storeroom="", kit="", days=days), together, ours)
