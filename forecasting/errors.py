"""The forecasting errors.

ForecastingError
├─ InvalidInput      (also ValueError)  an argument can't be what it says it is
├─ InsufficientData                     too little was observed to answer
├─ NoConvergence                        an iteration ended without an answer
└─ InfeasibleTarget                     no level reaches the wanted target
"""


class ForecastingError(Exception):
    """Base of every error raised by forecasting."""


class InvalidInput(ForecastingError, ValueError):
    """An argument has an impossible value; the message names argument, value and what was expected."""


class InsufficientData(ForecastingError):
    """Too little was observed to answer the question."""


class NoConvergence(ForecastingError):
    """An iteration ended without reaching its tolerance."""


class InfeasibleTarget(ForecastingError):
    """No level reaches the wanted target."""
