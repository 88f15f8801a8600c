"""From comparisons within a class and watches of its places to what a failure model tells of them; days and shares."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from forecasting.clocks import Watch
from forecasting.heterogeneity import GroupContrast
from forecasting.mean_cumulative import mean_cumulative
from forecasting.trends import power_law

Row = dict[str, object]
Sample = tuple[str, str]
OBJECTS = 0.05
"""Corrected p-value below which a reader is told."""
MOST_POINTS = 40


@dataclass(frozen=True, kw_only=True)
class WithinClass:
    """What is stored of one class and item seen in parts and place by place, and what its reader is warned of."""

    details: Row
    warnings: tuple[str, ...]


def _digits(value: float) -> float | None:
    return float(f"{value:.4g}") if np.isfinite(value) else None


def _contrast_row(one: GroupContrast) -> Row:
    """Lay out one comparison."""
    return {
        "grouping": one.grouping,
        "group": one.group,
        "lives": one.lives,
        "failures": one.failures,
        "rest_failures": one.rest_failures,
        "hazard_ratio": _digits(one.hazard_ratio),
        "hazard_ratio_low": _digits(one.lower),
        "hazard_ratio_high": _digits(one.upper),
        "p": _digits(one.p),
        "p_corrected": _digits(one.p_holm),
        "text": _sentence(one),
    }


def _span(one: GroupContrast) -> str:
    limits = (f"{value:.2g}" if np.isfinite(value) else "not known" for value in (one.lower, one.upper))
    return " to ".join(limits)


def _sentence(one: GroupContrast) -> str:
    """Say one comparison in words."""
    failures = f"{one.failures} of its {one.lives} lives failed"
    compared = f"{one.hazard_ratio:.2g} times as often as the rest of the class at the same age"
    return f"{one.grouping.capitalize()} {one.group} fails {compared} (95 % limits {_span(one)}; {failures})."


def _warnings(contrasts: Sequence[GroupContrast], compared: int) -> tuple[str, ...]:
    """Name the groups that are worse, the clearest first.

    Beside a rest that holds a bad group a sound one looks better than it is, so of the better ones nothing is said.
    """
    worse = (one for one in contrasts if one.p_holm < OBJECTS and one.hazard_ratio > 1.0)
    told = sorted(worse, key=lambda one: one.p)
    return tuple(
        f"{_sentence(one)} The forecast treats the class as one: consider a service class of its own "
        f"(p = {one.p_holm:.2g}, corrected for {compared} comparisons in this run)."
        for one in told
    )


def _by_place(watches: Sequence[Watch]) -> Row:
    """Lay out failures a place by days watched with robust limits, and the power of time they follow."""
    failures = [[float(day - watch.begin) for day in watch.failures] for watch in watches]
    watched = [float(watch.end - watch.begin) for watch in watches]
    made, law = mean_cumulative(failures, watched=watched), power_law(failures, watched=watched)
    kept = np.unique(np.linspace(0, len(made.age) - 1, min(MOST_POINTS, len(made.age))).round().astype(np.int64))
    columns = (made.age, made.at_risk, made.mean, made.lower, made.upper)
    curve: Row = {
        "method": "mean failures of one place by days since its watch began, robust 95 % limits (Lawless-Nadeau)",
        "columns": ["days_watched", "places", "mean", "lower", "upper"],
        "points": [[_digits(float(column[row])) for column in columns] for row in kept.tolist()],
    }
    return {"mean_cumulative": curve} | (
        {} if law is None else {"power_law_shape": _digits(law.shape), "power_law_p": _digits(law.p)}
    )


def seen_within_classes(contrasts: Sequence[GroupContrast], watches: Iterable[Watch]) -> Mapping[Sample, WithinClass]:
    """Tell of every class and item which groups stand out, and how failures of a place add up.

    Parameters
    ----------
    contrasts : sequence of GroupContrast
        All comparisons of the run.
    watches : iterable of Watch
        All watches of the run.

    Returns
    -------
    mapping from (service class, item) to WithinClass
        For every sample that is watched; where nothing failed there is no curve.
    """
    by_sample: dict[Sample, list[Watch]] = defaultdict(list)
    for watch in watches:
        by_sample[watch.service_class, watch.item].append(watch)
    seen = {}
    for sample, own in by_sample.items():
        compared = [one for one in contrasts if (one.service_class, one.item) == sample]
        details: Row = {"groups_compared_in_run": len(contrasts), "groups": [_contrast_row(one) for one in compared]}
        if any(watch.failures for watch in own):
            details |= _by_place(own)
        seen[sample] = WithinClass(details=details, warnings=_warnings(compared, len(contrasts)))
    return seen
