"""Transforms of sums of very many independent counts: the logarithm of each as a power series, added up."""

import numpy as np
from scipy.special import binom

from forecasting.arrays import FloatArray, IntArray

__all__ = ["ORDER", "log_series"]

ORDER = 16
"""Powers taken along."""


def log_series(counts: FloatArray, times: IntArray) -> FloatArray:
    """Add up the logarithms of generating functions, as coefficients of powers of u at z = 1 + u.

    sum p_k (1 + u)^k = sum m_j u^j with factorial moments m_j, and c_j = m_j - sum i c_i m_(j-i) / j for its logarithm.

    Parameters
    ----------
    counts : float array, shape (points, rows, n) [1]
        P(0), P(1), ...; every row sums to 1.
    times : int array, shape (rows,) [1]
        How often each row counts.

    Returns
    -------
    float array, shape (2, points, ORDER + 1) [1]
        The sums; then those of absolute values, by which one sees how far the series is good.

    References
    ----------
    Johnson, Kemp & Kotz (2005), Univariate Discrete Distributions, section 1.2.8 (factorial cumulants; from memory).

    Examples
    --------
    >>> coins = np.full((1, 1, 2), 0.5)
    >>> log_series(coins, np.array([4]))[0, 0, :3]  # 4 log(1 + u / 2)
    array([ 0. ,  2. , -0.5])
    """
    n, orders = np.arange(counts.shape[2]), np.arange(ORDER + 1)
    moments = counts @ binom(n[:, None], orders)  # (points, rows, orders)
    logs = np.zeros_like(moments)
    for order in orders[1:]:
        earlier = orders[1:order]
        carried = (earlier * logs[..., 1:order] * moments[..., order - earlier]).sum(axis=-1)
        logs[..., order] = moments[..., order] - carried / order
    return np.stack([np.einsum("prj,r->pj", part, times) for part in (logs, np.abs(logs))])
