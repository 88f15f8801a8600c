"""Kits that no valve takes: what left the shelves, period by period, in; demand in any window out."""

from dataclasses import dataclass

import numpy as np

from forecasting.consumption import Window
from forecasting.demand import Demand
from forecasting.usage_history import UsageForecast, usage_demand, usage_forecast
from forecasting.usage_rates import checked_history

__all__ = ["PERIOD", "IssueDemand", "IssueHistory", "issue_demand"]

PERIOD = 30.4375
"""Days of a period: a twelfth of 365.25."""


@dataclass(frozen=True, kw_only=True)
class IssueHistory:
    """Kits of one sort that left a storeroom.

    Parameters
    ----------
    storeroom, kit : str [codes]
        Storeroom "" is the whole plant.
    counts : tuple of int [kits a period]
        Returns netted, the oldest period first; the last ends with the data cut-off.

    Raises
    ------
    InvalidInput
        If there is no period, or one is negative.
    """

    storeroom: str
    kit: str
    counts: tuple[int, ...]

    def __post_init__(self) -> None:
        """Refuse what can't be a history."""
        checked_history(self.counts)


@dataclass(frozen=True, kw_only=True)
class IssueDemand:
    """Demand for a kit as its issues alone tell it.

    Parameters
    ----------
    periods : int [periods]
        Length of the history.
    usage : UsageForecast [kits a period]
        What it says.
    """

    periods: int
    usage: UsageForecast

    def over(self, window: Window) -> Demand:
        """Demand in a window (days from now); what is planned can't be told from what isn't."""
        start, end = window
        probabilities = usage_demand(self.usage, periods=(end - start) / PERIOD)
        mean = float(probabilities @ np.arange(len(probabilities)))
        return Demand(probabilities=probabilities, unplanned=mean, planned=0.0, turnaround=0.0)


def issue_demand(history: IssueHistory) -> IssueDemand:
    """Forecast a kit from its issues alone.

    Parameters
    ----------
    history : IssueHistory [kits a period]
        Of a storeroom, or of the plant.

    Returns
    -------
    IssueDemand [kits a period]
        For any window; without a demand, half a one over the periods seen.

    References
    ----------
    DEVELOPERS.md, "Kits that no valve takes".

    Examples
    --------
    >>> spacer = IssueHistory(storeroom="", kit="K", counts=(0, 0, 3, 0, 0, 0, 2, 0))
    >>> round(issue_demand(spacer).over((0.0, PERIOD)).mean, 4)
    0.8887
    """
    return IssueDemand(periods=len(history.counts), usage=usage_forecast(history.counts))
