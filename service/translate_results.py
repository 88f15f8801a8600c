"""From a forecast to the rows a run stores: days become dates, numbers keep 6 significant digits."""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType

import numpy as np

from forecasting.clocks import ItemAge
from forecasting.consumption import TakeUp, Window
from forecasting.fitting import Fit
from forecasting.lives import Lives
from forecasting.pipeline import Forecast
from forecasting.pooling import InUse
from forecasting.trends import TrendTests
from service.result_rows import Row, round6
from service.translate_diagnostics import diagnose
from service.translate_groups import seen_within_classes
from service.translate_intervals import how_sure
from service.translate_kits import NOTHING_TOLD, KitsTold
from service.translate_stock import AskedStock

LOOKS = {"30": (0.0, 30.0), "90": (0.0, 90.0), "365": (0.0, 365.0)}
"""Looks ahead for single valves."""


@dataclass(frozen=True, kw_only=True)
class NextStop:
    """The next turnaround of an area, and the window until the day before it."""

    window: Window
    starts_on: date


def counted(number: int, one: str, many: str = "") -> str:
    """Say how many of something."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def _trend_words(trend: TrendTests) -> list[str]:
    """Say what the trend tests object to, and where they disagree."""
    tests = (
        ("Laplace", trend.laplace_p, trend.laplace > 0),
        ("MIL-HDBK-189", trend.mil_hdbk_189_p, trend.mil_hdbk_189 < 2 * trend.failures),
    )
    objecting = {f"{name} p = {p:.3g}": faster for name, p, faster in tests if p < 0.05}
    silent = [f"{name} p = {p:.3g}" for name, p, _ in tests if p >= 0.05]
    said = {
        frozenset({True}): "come ever faster, so a renewed item may not be as good as new.",
        frozenset({False}): "come ever more slowly, so lives to come may be longer than those seen.",
        frozenset({True, False}): "don't come evenly, so one lifetime may not describe them all.",
    }.get(frozenset(objecting.values()))
    if said is None:
        return []
    if silent:
        heard = f"One trend test over all valves objects ({', '.join(objecting)}), the other doesn't ({silent[0]})"
        return [f"{heard}: weak evidence that failures {said}"]
    return [f"Both trend tests over all valves object ({', '.join(objecting)}): failures {said}"]


def _model_warnings(one: InUse, trend: TrendTests | None, same_day: int, described: str) -> list[str]:
    """Say what a reader of a failure model must know."""
    warnings = [] if trend is None else _trend_words(trend)
    if same_day:
        warnings.append(
            f"{same_day} renewals fell on the day of the one before: a place may carry several such items; the life is "
            "then that of the place, not of one item."
        )
    if described:
        warnings.append(f"Of this service class the record says: {described}")
    if one.fit is not None and one.fit.masked:
        warnings.append(f"{one.fit.masked} lives ended with a failure whose item isn't said.")
    return warnings


def _observed(fit: Fit | None) -> Row:
    """Lay out what was observed of a class and item."""
    if fit is None:
        return {"own_fit": "no lives", "observed": "nothing was watched"}
    return {
        "own_fit": fit.status.value,
        "observed": f"{counted(fit.failures, 'failure')} in {fit.exposure / 365.25:.4g} valve-years",
        "exposure_days": fit.exposure,
        "left_truncated": fit.truncated,
        "right_censored": fit.right_censored,
        "interval_censored": fit.interval_censored,
        "cause_masked": fit.masked,
    }


def _believed(one: InUse) -> Row:
    """Lay out how sure the parameters are, and how the item's family was chosen."""
    choice = one.choice
    return {
        "log_scale_sd": round6(one.log_scale_sd),
        "log_shape_sd": round6(one.log_shape_sd),
        "aic_runner_up": None if choice is None or choice.runner_up is None else choice.runner_up.value,
        "aic_difference": None if choice is None else round6(choice.difference),
    }


def _tested(trend: TrendTests | None) -> Row:
    """Lay out what the trend tests say."""
    if trend is None:
        return {}
    return {
        "laplace": round6(trend.laplace),
        "laplace_p": round6(trend.laplace_p),
        "mil_hdbk_189": round6(trend.mil_hdbk_189),
        "mil_hdbk_189_p": round6(trend.mil_hdbk_189_p),
    }


def _parameters(one: InUse) -> Row:
    """Lay out what the forecast uses, and the maximum of the class alone."""
    used, own = one.lifetime, None if one.fit is None else one.fit.lifetime
    return {
        "family": None if used is None else used.family.value,
        "scale_days": None if used is None else round6(used.scale),
        "shape": None if used is None else round6(used.shape),
        "mle_scale_days": None if own is None else round6(own.scale),
        "mle_shape": None if own is None else round6(own.shape),
        "mean_days": None if used is None or np.isinf(used.mean) else round6(used.mean),
        "b10_days": None if used is None else round6(used.quantile(0.1)),
    }


def _same_day(lives: Lives) -> dict[tuple[str, str], int]:
    """Count lives that ended on the day they began."""
    counted: dict[tuple[str, str], int] = defaultdict(int)
    for sample in lives.sample[(lives.entry == 0) & (lives.lower == 0) & (lives.upper == 1)]:
        counted[lives.samples[sample]] += 1
    return counted


def failure_model_rows(
    made: Forecast, descriptions: Mapping[str, str], kits: Mapping[tuple[str, str], KitsTold]
) -> Iterator[Row]:
    """One row per service class and item; `kits` says what their renewals take.

    Yields
    ------
    dict
        Columns of run_failure_models.
    """
    lives, same_day = made.fleet.lives, _same_day(made.fleet.lives)
    sure = how_sure(made.lifetimes, lives)
    within = seen_within_classes(made.contrasts, made.fleet.watches)
    for one in made.lifetimes:
        key = (one.service_class, one.item)
        inside, taken = within.get(key), kits.get(key, NOTHING_TOLD)
        fit, used, trend = one.fit, one.lifetime, made.trends.get(key)
        known = sure.get(key)
        checked = diagnose(one, lives, band=[] if known is None else known.band)
        yield {
            "service_class": one.service_class,
            "maintainable_item": one.item,
            **_parameters(one),
            "failures": 0 if fit is None else fit.failures,
            "lives": 0 if fit is None else fit.lives,
            "pool_share": round6(one.pool_share),
            "status": one.source.value,
            "reason": one.reason or None,
            "details": _observed(fit)
            | _tested(trend)
            | _believed(one)
            | checked.details
            | ({} if known is None else {"intervals": known.intervals})
            | ({} if inside is None else inside.details)
            | {
                "median_days": None if used is None else round6(used.quantile(0.5)),
                "kits_per_renewal": list(taken.rows),
                "warnings": [
                    *_model_warnings(one, trend, same_day[key], descriptions.get(one.service_class, "")),
                    *checked.warnings,
                    *(() if inside is None else inside.warnings),
                    *taken.warnings,
                ],
            },
        }


def _need(one: TakeUp, valve: int, age: ItemAge, policy: str, asked: AskedStock | None) -> Row:
    """Say what one valve may take of one kit."""
    protection: float | None = None
    if asked is not None:
        window = (0.0, asked.question.protection_interval)
        protection = float(one.unplanned[window][valve] + one.planned[window][valve])
    row: Row = {
        f"p_{name}": round6(float(np.clip(1.0 - one.probabilities[window][valve, 0], 0.0, 1.0)))
        for name, window in LOOKS.items()
    }
    year = LOOKS["365"]
    return row | {
        "kit": one.kit,
        "tag": one.valves[valve],
        "maintainable_item": "|".join(one.items),
        "service_class": age.service_class,
        "age_days": age.age,
        "policy": policy,
        "mean_protection": round6(protection),
        "mean_365": round6(float(sum(kind[year][valve] for kind in (one.unplanned, one.planned, one.turnaround)))),
    }


def _standing(age: ItemAge) -> Row:
    """Say what is special about where an item stands."""
    waiting: Row = {"awaits_renewal": True} if age.awaits_renewal else {}
    return waiting if age.age is not None else {"age": "unknown: a distribution is used"} | waiting


def _before(one: TakeUp, valve: int, stop: NextStop | None) -> Row:
    """Say how likely one valve needs a kit before the next turnaround of its area, if there is one."""
    if stop is None:
        return {}
    chance = round6(float(np.clip(1.0 - one.probabilities[stop.window][valve, 0], 0.0, 1.0)))
    return {"p_before_turnaround": chance, "next_turnaround_on": stop.starts_on.isoformat()}


def need_rows(
    made: Forecast,
    asked: Sequence[AskedStock],
    storerooms: Mapping[str, frozenset[str]],
    policies: Mapping[tuple[str, str], str],
    *,
    stops: Mapping[str, NextStop] = MappingProxyType({}),
) -> Iterator[Row]:
    """One row per valve and kit it may take; `stops` has the next turnaround by tag.

    Yields
    ------
    dict
        Columns of run_needs.
    """
    by_question = {(one.question.storeroom, one.question.kit): one for one in asked}
    storeroom_of = {tag: storeroom for storeroom, tags in storerooms.items() for tag in tags}
    ages = {(age.valve, age.item): age for age in made.fleet.ages}
    for one in made.taken:
        for valve, tag in enumerate(one.valves):
            if tag not in storeroom_of:
                continue  # to be installed
            age, storeroom = ages[tag, one.items[0]], storeroom_of[tag]
            policy = policies.get((age.service_class, one.items[0]), "corrective")
            details = _standing(age) | _before(one, valve, stops.get(tag))
            row = _need(one, valve, age, policy, by_question.get((storeroom, one.kit)))
            yield row | {"storeroom": storeroom, "details": details}
