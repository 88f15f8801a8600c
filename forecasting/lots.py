"""Kits that expire: which go first, how many will expire unused, how large an order may be to be used in time."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln

from forecasting.arrays import FloatArray, check

__all__ = ["Lot", "demand_until", "expiring_of_order", "expiring_unused", "largest_order_used", "lots_left"]


@dataclass(frozen=True, kw_only=True)
class Lot:
    """Kits that expire together.

    Parameters
    ----------
    expires : float [days from now]
        Usable before; 0 or negative: expired. Infinite: doesn't expire, or nobody knows when.
    qty : int [kits]
        On the shelf.

    Raises
    ------
    InvalidInput
        If `qty` is negative or `expires` is no number.
    """

    expires: float
    qty: int

    def __post_init__(self) -> None:
        """Refuse what is no lot."""
        check(self.qty >= 0 and self.expires == self.expires, f"a lot needs a `qty` and `expires`, got {self}")


def lots_left(lots: Sequence[Lot], *, on_hand: int) -> tuple[Lot, ...]:
    """Lots of what is on the shelf, first-expiring first: what a count lacks was used from those that expire first.

    Parameters
    ----------
    lots : sequence of Lot [kits]
        As recorded.
    on_hand : int [kits]
        As counted; more of it than of lots doesn't expire, as far as anybody knows.

    Returns
    -------
    tuple of Lot [kits]
        Together `on_hand`.

    Raises
    ------
    InvalidInput
        If `on_hand` is negative.

    References
    ----------
    DEVELOPERS.md, "Kits that expire".

    Examples
    --------
    >>> lots_left([Lot(expires=90.0, qty=2), Lot(expires=30.0, qty=2)], on_hand=3)
    (Lot(expires=30.0, qty=1), Lot(expires=90.0, qty=2))
    """
    check(on_hand >= 0, f"`on_hand` must not be negative, got {on_hand}")
    kept, rest = [], on_hand
    for lot in sorted(lots, key=lambda one: one.expires, reverse=True):
        kept.append(Lot(expires=lot.expires, qty=min(lot.qty, rest)))
        rest -= kept[-1].qty
    kept.insert(0, Lot(expires=np.inf, qty=rest))
    return tuple(lot for lot in reversed(kept) if lot.qty)


def _poisson(mean: float, *, size: int) -> FloatArray:
    """P(N = 0) .. P(N = size - 2), and in the last place the rest."""
    counts = np.arange(size)
    if mean <= 0.0:
        return np.asarray((counts == 0).astype(np.float64))
    chances = np.exp(counts * np.log(mean) - mean - gammaln(counts + 1.0))
    chances[-1] = max(0.0, 1.0 - float(chances[:-1].sum()))
    return np.asarray(chances)


def _left_after(left: FloatArray, taken: FloatArray) -> FloatArray:
    """Distribution of what is left of a stock, at least 0, once a demand is met; `taken` as `_poisson` gives it."""
    after = np.zeros_like(left)
    for number, chance in enumerate(taken):
        after[: len(left) - number] += chance * left[number:]
        after[0] += chance * float(left[:number].sum())
    return after


def expiring_unused(lots: Sequence[Lot], demands: Sequence[FloatArray]) -> float:
    """Kits of these lots that will expire unused, to be expected.

    What is left runs from lot to lot: demand takes from it, and what then is more than the later lots hold expires.
    The demand until the first lot expires is as given; what comes between two lots is Poisson with the difference of
    their means, and by itself.

    Parameters
    ----------
    lots : sequence of Lot [kits]
        First-expiring first.
    demands : sequence of float array [1]
        P(D = 0), P(D = 1), ... from now until each lot expires.

    Returns
    -------
    float [kits]
        Not rounded.

    References
    ----------
    DEVELOPERS.md, "Kits that expire".

    Examples
    --------
    >>> expiring_unused([Lot(expires=30.0, qty=2)], [np.array([0.5, 0.25, 0.25])])
    1.25
    """
    # no lot can be used by more than is ever asked for; what it holds beyond that is lost whatever happens
    most = max((len(demand) for demand in demands), default=0)
    held = [min(lot.qty, most) for lot in lots]
    later, lost, before = sum(held), float(sum(lot.qty for lot in lots) - sum(held)), 0.0
    size = later + 1
    left = np.zeros(size)
    left[later] = 1.0
    for number, (qty, demand) in enumerate(zip(held, demands, strict=True)):
        mean = float(demand @ np.arange(len(demand)))
        first = np.append(demand[:later], demand[later:].sum()) if number == 0 else _poisson(mean - before, size=size)
        left, before, later = _left_after(left, first), mean, later - qty
        beyond = np.arange(size) - later
        lost += float(left @ np.maximum(beyond, 0))
        left[later] += left[later + 1 :].sum()
        left[later + 1 :] = 0.0
    return lost


def demand_until(probabilities: FloatArray, *, more: float) -> FloatArray:
    """Distribution of a demand and of so many more kits expected later, which come by themselves.

    Parameters
    ----------
    probabilities : float array, shape (n,) [1]
        P(D = 0), P(D = 1), ... as far as it is forecast.
    more : float [kits]
        Expected after that, a Poisson number.

    Returns
    -------
    float array, shape (m,) [1]
        Of the sum.

    Raises
    ------
    InvalidInput
        If `more` is negative or not finite.

    References
    ----------
    Convolution.

    Examples
    --------
    >>> demand_until(np.array([0.0, 1.0]), more=0.5)[:3].round(4)
    array([0.    , 0.6065, 0.3033])
    """
    check(0.0 <= more < np.inf, f"`more` must not be negative, got {more}")
    if more == 0.0:
        return probabilities
    counts = np.arange(int(more + 10.0 * np.sqrt(more) + 15))
    return np.convolve(probabilities, np.exp(counts * np.log(more) - more - gammaln(counts + 1.0)))


def largest_order_used(probabilities: FloatArray, *, before: int, chance: float) -> int:
    """Largest order that is used before it expires with so much chance.

    Largest q with P(D >= before + q) >= chance, D the demand until the order expires; what is there goes first.

    Parameters
    ----------
    probabilities : float array, shape (n,) [1]
        P(D = 0), P(D = 1), ...
    before : int [kits]
        Used before it.
    chance : float in (0, 1) [1]
        Wanted.

    Returns
    -------
    int [kits]
        0: not even one.

    Raises
    ------
    InvalidInput
        If the chance isn't within (0, 1).

    References
    ----------
    DEVELOPERS.md, "Kits that expire".

    Examples
    --------
    >>> largest_order_used(np.array([0.05, 0.05, 0.1, 0.8]), before=1, chance=0.75)
    2
    """
    check(0.0 < chance < 1.0, f"`chance` must be within (0, 1), got {chance}")
    beyond = np.cumsum(probabilities[::-1])[::-1]  # P(D >= k)
    return max(int(np.count_nonzero(beyond >= chance - 1e-12)) - 1 - max(before, 0), 0)


def expiring_of_order(probabilities: FloatArray, *, before: int, quantity: int) -> float:
    """Kits of an order that will expire unused, to be expected.

    E[min(q, (before + q - D)+)].

    Parameters
    ----------
    probabilities : float array, shape (n,) [1]
        Demand until the order expires.
    before, quantity : int [kits]
        Used before it, and ordered.

    Returns
    -------
    float [kits]
        At most the order.

    References
    ----------
    What is there goes first.

    Examples
    --------
    >>> expiring_of_order(np.array([0.5, 0.5]), before=0, quantity=2)
    1.5
    """
    left = max(before, 0) + quantity - np.arange(len(probabilities))
    return float(probabilities @ np.clip(left, 0, quantity))
