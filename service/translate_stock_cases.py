"""From what a run asked and was told about demand to what it keeps, so that other questions can be answered from it."""

import zlib
from collections.abc import Iterator, Sequence
from dataclasses import replace

import msgspec

from forecasting.issue_demand import PERIOD
from forecasting.pipeline import Forecast
from forecasting.stocking import windows_needed
from service.translate_stock import AskedStock
from service.translate_what_if import StockCase


def packed_cases(made: Forecast, asked: Sequence[AskedStock], *, history_days: float) -> bytes:
    """Keep every question that was decided, compressed.

    Parameters
    ----------
    made : Forecast
        What was computed.
    asked : sequence of AskedStock
        What was asked.
    history_days : float [days]
        Length of the record.

    Returns
    -------
    bytes
        For `translate_what_if.unpacked_cases`.
    """
    return zlib.compress(msgspec.msgpack.encode(list(_cases(made, asked, history_days))))


def _cases(made: Forecast, asked: Sequence[AskedStock], history_days: float) -> Iterator[StockCase]:
    for one in asked:
        key = one.question.storeroom, one.question.kit
        if key not in made.decisions:
            continue
        windows, alone = windows_needed(one.question), made.from_issues.get(key)
        demand = made.running[key] if alone is None else {window: alone.over(window) for window in windows}
        yield StockCase(
            # who takes the kit is told by needs; a decision doesn't ask
            asked=replace(one, question=replace(one.question, valves=frozenset())),
            history_days=history_days if alone is None else alone.periods * PERIOD,
            ends=tuple(end for _, end in windows),
            probabilities=tuple(tuple(demand[window].probabilities.tolist()) for window in windows),
        )
