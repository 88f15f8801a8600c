"""Checks of array arguments: what comes in is named, what goes out is a read-only numpy array."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from forecasting.errors import InvalidInput

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


def float_column(name: str, values: ArrayLike) -> FloatArray:
    """One-dimensional read-only array of floats without NaN.

    Parameters
    ----------
    name : str [name]
        The argument's name, for the message.
    values : array_like, shape (n,) [any]
        What the caller gave.

    Returns
    -------
    float array, shape (n,) [any]
        A read-only copy.

    Raises
    ------
    InvalidInput
        If `values` isn't one-dimensional or holds a NaN.
    """
    column = np.array(values, dtype=np.float64)
    if column.ndim != 1 or np.isnan(column).any():
        raise InvalidInput(f"`{name}` must be one-dimensional without NaN, got {values!r}")
    column.flags.writeable = False
    return column


def int_column(name: str, values: ArrayLike) -> IntArray:
    """One-dimensional read-only array of integers.

    Parameters
    ----------
    name : str [name]
        The argument's name, for the message.
    values : array_like, shape (n,) [any]
        What the caller gave.

    Returns
    -------
    int array, shape (n,) [any]
        A read-only copy.

    Raises
    ------
    InvalidInput
        If `values` isn't one-dimensional.
    """
    column = np.array(values, dtype=np.int64)
    if column.ndim != 1:
        raise InvalidInput(f"`{name}` must be one-dimensional, got {values!r}")
    column.flags.writeable = False
    return column


def check_same_length(**columns: Sequence[object] | FloatArray | IntArray) -> None:
    """Refuse columns of different length.

    Parameters
    ----------
    **columns : arrays or sequences [any]
        The columns by argument name.

    Raises
    ------
    InvalidInput
        If the lengths differ.
    """
    lengths = {name: len(column) for name, column in columns.items()}
    if len(set(lengths.values())) > 1:
        raise InvalidInput(f"columns must have one length, got {lengths}")


def check(holds: bool, message: str) -> None:
    """Refuse what can't be.

    Parameters
    ----------
    holds : bool [yes or no]
        What has to hold.
    message : str [text]
        Argument, value and what was expected.

    Raises
    ------
    InvalidInput
        If it doesn't hold.
    """
    if not holds:
        raise InvalidInput(message)
