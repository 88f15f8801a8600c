"""Spending on kits: what is asked of the numerics, and the rows a run stores."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from decimal import Decimal

from forecasting.pipeline import Forecast
from forecasting.spending import Spend, SpendAsked
from service.result_rows import Row, round6
from service.schemas.records import KitRecord
from service.translate_demand import OF_PARTS, Period, forecast_periods
from service.translate_results import counted

LEVELS = (10, 50, 80, 90)
CENT = Decimal("0.01")


def spend_asked(kits: Sequence[KitRecord], *, as_of: date) -> SpendAsked:
    """Ask for spending by month, quarter and year.

    Parameters
    ----------
    kits : sequence of KitRecord
        With the prices they have.
    as_of : date
        Data cut-off.

    Returns
    -------
    SpendAsked [money]
        Areas are those of the plant.
    """
    return SpendAsked(
        prices={kit.code: float(kit.unit_cost) for kit in kits if kit.unit_cost is not None},
        windows=tuple(sorted({period.window(as_of) for period in _periods(as_of)})),
    )


def spend_rows(made: Forecast, kits: Sequence[KitRecord], *, as_of: date) -> Iterator[Row]:
    """One row per area (empty: the whole plant), period and kind.

    Parameters
    ----------
    made : Forecast
        Of the run.
    kits : sequence of KitRecord
        With the days of their prices.
    as_of : date
        Data cut-off.

    Yields
    ------
    dict
        Columns of run_spend.
    """
    priced = [kit.priced_on for kit in kits if kit.unit_cost is not None and kit.priced_on is not None]
    dates = {"oldest_price_on": min(priced).isoformat(), "newest_price_on": max(priced).isoformat()} if priced else {}
    details: Row = {**dates}
    apart = {"": sorted({kit for storeroom, kit in made.from_issues if not storeroom})}
    for area, by_window in made.spend.items():
        for period in _periods(as_of):
            spend = by_window.get(period.window(as_of))
            if spend is not None:
                yield from _rows(spend, period, area, apart.get(area, []), details)


def _periods(as_of: date) -> list[Period]:
    return [period for period in forecast_periods(as_of) if period.bucket in OF_PARTS]


def _rows(spend: Spend, period: Period, area: str, apart: Sequence[str], details: Row) -> Iterator[Row]:
    reason = _reason(spend.unpriced, apart)
    for kind, sums in spend.sums.items():
        yield {
            "area": area,
            "bucket": period.bucket,
            "starts_on": period.starts_on,
            "ends_on": period.ends_on,
            "kind": kind,
            "mean": money(sums.mean),
            **{f"p{level}": money(sums.quantile(level / 100)) for level in LEVELS},
            "status": "forecast" if reason is None else "incomplete",
            "reason": reason,
            "details": {**details, "kits_without_price": {kit: round6(n) for kit, n in spend.unpriced.items()}},
        }


def money(amount: float) -> Decimal:
    """Round an amount to six significant digits, and cents."""
    return Decimal(f"{amount:.6g}").quantize(CENT)


def _reason(unpriced: Mapping[str, float], apart: Sequence[str]) -> str | None:
    said = []
    if unpriced:
        number = round6(sum(unpriced.values()))
        said.append(
            f"{counted(len(unpriced), 'kit')} without a price left out: {', '.join(unpriced)} ({number} expected)"
        )
    if apart:
        said.append(f"kits that no valve takes belong to no area and are left out: {', '.join(apart)}")
    return "; ".join(said) or None
