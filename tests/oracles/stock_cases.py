"""Two hundred cases of stock: reorder point and quantity, single stock, minimum and maximum; for peer and product."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import nbinom, poisson

POLICIES, STOCKS, MIN_MAXES = 100, 50, 50
SIZE = 160


@dataclass(frozen=True, kw_only=True)
class StockCase:
    """Costs, and Poisson demand (dispersion 1) or negative binomial of this mean and ratio of variance to mean."""

    name: str
    kind: str
    holding: float
    waiting: float
    order: float
    mean: float
    dispersion: float
    lead_time: float

    @property
    def demand(self) -> NDArray[np.float64]:
        """P(D = 0), P(D = 1), ...: in the lead time of a policy, else in the period."""
        mean, counts = self.mean * self.lead_time, np.arange(SIZE)
        if self.dispersion == 1.0:
            return np.asarray(poisson.pmf(counts, mean))
        share = 1.0 / self.dispersion
        chances = nbinom.pmf(counts, mean * share / (1.0 - share), share)
        return np.asarray(chances / chances.sum())


def stock_cases() -> Iterator[StockCase]:
    """Draw them, kind after kind, rounded so that what is stored is what was drawn."""
    rng = np.random.default_rng(2026)
    for kind, number in (("r_q", POLICIES), ("newsvendor", STOCKS), ("s_s", MIN_MAXES)):
        for place in range(number):
            holding = round(float(np.exp(rng.normal(1.5, 1.0))), 3)
            yield StockCase(
                name=f"{kind} {place}",
                kind=kind,
                holding=holding,
                waiting=round(holding * float(rng.uniform(1.5, 40.0)), 3),
                order=round(float(np.exp(rng.normal(3.0, 1.0))), 2),
                mean=round(float(np.exp(rng.normal(0.7, 0.8))), 3),
                dispersion=1.0 if kind == "r_q" or place % 2 else round(float(rng.uniform(1.2, 4.0)), 3),
                lead_time=round(float(rng.uniform(0.2, 3.0)), 3) if kind == "r_q" else 1.0,
            )
