"""How long each item really lasts in each service: sampled only, so that a fitted model meets it unprepared."""

import math
from collections.abc import Callable
from random import Random

Law = Callable[[Random], float]


def _weibull(scale_years: float, shape: float) -> Law:
    return lambda rng: rng.weibullvariate(scale_years, shape)


def _lognormal(median_years: float, spread: float) -> Law:
    return lambda rng: rng.lognormvariate(math.log(median_years), spread)


def _mixture(share: float, some: Law, others: Law) -> Law:
    return lambda rng: some(rng) if rng.random() < share else others(rng)


_BENIGN = {"packing": _weibull(8.0, 2.0), "trim": _weibull(9.0, 1.8), "actuator": _weibull(11.5, 2.8)}

LIFE_YEARS: dict[str, dict[str, Law]] = {
    "CLEAN-WATER": _BENIGN,
    "BRINE": _BENIGN,
    "SYNGAS": {
        "packing": _weibull(6.5, 2.2),
        "trim": _lognormal(7.0, 0.5),
        "actuator": _weibull(9.0, 3.0),
    },
    "WET-CO2": {
        "packing": _weibull(5.0, 1.8),
        "trim": _weibull(3.2, 2.4),
        "actuator": _weibull(9.5, 2.6),
    },
    "HP-STEAM": {
        "packing": _weibull(4.5, 2.6),
        "trim": _weibull(7.0, 2.2),
        "actuator": _weibull(8.0, 3.0),
    },
    "BFW-LETDOWN": {
        "packing": _weibull(3.2, 2.2),
        "trim": _weibull(1.0, 2.8),
        "actuator": _weibull(7.0, 3.0),
    },
    "CARBAMATE": {
        "packing": _weibull(4.0, 1.6),
        "trim": _mixture(0.3, _weibull(0.9, 1.3), _weibull(5.0, 3.5)),
        "actuator": _weibull(9.0, 2.4),
    },
    "SOLVENT": {
        "packing": _lognormal(5.5, 0.45),
        "trim": _weibull(6.0, 1.2),
        "actuator": _weibull(10.0, 2.5),
    },
    "COLD-NH3": {
        "packing": _weibull(8.0, 3.0),
        "trim": _weibull(9.0, 4.0),
        "actuator": _weibull(12.0, 4.0),
    },
}

HIDDEN_SHARE = {"packing": 0.0, "trim": 0.3, "actuator": 0.15}  # ends that only an opening or inspection shows


def draw_life_days(rng: Random, service_class: str, item: str, *, survived_days: int) -> int:
    """Draw one life in whole days, longer than the days already survived (0 for a new item)."""
    law = LIFE_YEARS[service_class][item]
    for _ in range(1000):
        life_days = max(1, round(law(rng) * 365.25))
        if life_days > survived_days:
            return life_days
    return survived_days + rng.randint(1, 60)
