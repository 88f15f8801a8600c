"""Kits that expire: first-expiring first, against simulation and enumeration."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import poisson

from forecasting.errors import InvalidInput
from forecasting.lots import Lot, demand_until, expiring_of_order, expiring_unused, largest_order_used, lots_left
from tests.strategies import CI

QUICK = settings(CI, max_examples=100)
RATE = 0.1


def until(days: float, *, rate: float = RATE) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.asarray(poisson.pmf(np.arange(int(rate * days + 10 * np.sqrt(rate * days) + 15)), rate * days))


def lost_in_play(lots: list[Lot], *, seed: int, plays: int) -> tuple[float, float]:
    """Kits lost a play and their standard error: demand lot by lot, the one that expires first goes first."""
    rng = np.random.default_rng(seed)
    lost, before, rest = np.zeros(plays), 0.0, np.zeros((plays, len(lots)), dtype=np.int64)
    rest[:] = [lot.qty for lot in lots]
    for number, lot in enumerate(lots):
        wanted = rng.poisson(RATE * (lot.expires - before), plays)
        for later in range(number, len(lots)):
            taken = np.minimum(rest[:, later], wanted)
            rest[:, later] -= taken
            wanted -= taken
        lost += rest[:, number]
        rest[:, number], before = 0, lot.expires
    return float(lost.mean()), float(lost.std(ddof=1) / np.sqrt(plays))


def test_one_lot_is_exact() -> None:
    """E[(4 - Poisson(3))+]."""
    counts = np.arange(5)
    expected = float(poisson.pmf(counts, 3.0) @ (4 - counts))
    assert expiring_unused([Lot(expires=30.0, qty=4)], [until(30.0)]) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_several_lots_against_simulation(seed: int) -> None:
    """Demand that comes by itself: the recursion is exact."""
    sizes = np.random.default_rng(seed).integers(1, 6, 3)
    lots = [Lot(expires=25.0 * (place + 1), qty=int(size)) for place, size in enumerate(sizes)]
    said = expiring_unused(lots, [until(lot.expires) for lot in lots])
    lost, error = lost_in_play(lots, seed=100 + seed, plays=20_000)
    assert abs(lost - said) < 3.0 * error


@QUICK
@given(sizes=st.lists(st.integers(1, 6), min_size=1, max_size=4), more=st.integers(0, 5))
def test_more_in_the_last_lot_loses_no_less_and_never_more_than_there_is(sizes: list[int], more: int) -> None:
    lots = [Lot(expires=20.0 * (place + 1), qty=size) for place, size in enumerate(sizes)]
    demands = [until(lot.expires) for lot in lots]
    lost = expiring_unused(lots, demands)
    larger = expiring_unused([*lots[:-1], Lot(expires=lots[-1].expires, qty=lots[-1].qty + more)], demands)
    assert 0.0 <= lost <= larger + 1e-9 <= sum(sizes) + more + 1e-8
    assert larger - lost <= more + 1e-9


def test_no_lots_lose_nothing() -> None:
    assert expiring_unused([], []) == 0.0


@QUICK
@given(
    lots=st.lists(st.builds(Lot, expires=st.floats(-50.0, 900.0), qty=st.integers(0, 5)), max_size=6),
    on_hand=st.integers(0, 25),
)
def test_lots_left_sum_to_the_count_in_order_and_the_first_were_used(lots: list[Lot], on_hand: int) -> None:
    left = lots_left(lots, on_hand=on_hand)
    assert sum(lot.qty for lot in left) == on_hand
    assert [lot.expires for lot in left] == sorted(lot.expires for lot in left)
    for day in (0.0, 100.0, 500.0):
        later = sum(lot.qty for lot in lots if lot.expires > day)
        kept = sum(lot.qty for lot in left if day < lot.expires < np.inf)
        assert kept == min(later, on_hand)


@pytest.mark.parametrize("before", [0, 2, 9])
def test_the_largest_order_used_is_the_largest(before: int) -> None:
    demand = until(120.0)
    quantity = largest_order_used(demand, before=before, chance=0.8)
    assert quantity == 0 or demand[before + quantity :].sum() >= 0.8
    assert demand[before + quantity + 1 :].sum() < 0.8


@QUICK
@given(before=st.integers(-3, 9), quantity=st.integers(0, 30))
def test_what_of_an_order_expires_by_enumeration(before: int, quantity: int) -> None:
    demand = until(80.0)
    there = max(before, 0)
    expected = sum(
        chance * (quantity - min(quantity, max(number - there, 0))) for number, chance in enumerate(demand.tolist())
    )
    assert expiring_of_order(demand, before=before, quantity=quantity) == pytest.approx(expected, abs=1e-9)


def test_later_demand_is_added() -> None:
    """Poisson(3) and 5 more is Poisson(8)."""
    both = demand_until(until(30.0), more=5.0)
    assert both[:30] == pytest.approx(poisson.pmf(np.arange(30), 8.0), abs=1e-12)
    assert demand_until(until(30.0), more=0.0) == pytest.approx(until(30.0))


def test_what_can_not_be_is_refused() -> None:
    with pytest.raises(InvalidInput, match="a lot needs a `qty`"):
        Lot(expires=np.nan, qty=1)
    with pytest.raises(InvalidInput, match="a lot needs a `qty`"):
        Lot(expires=1.0, qty=-1)
    with pytest.raises(InvalidInput, match="`on_hand` must not be negative"):
        lots_left([], on_hand=-1)
    with pytest.raises(InvalidInput, match="`chance` must be within"):
        largest_order_used(until(1.0), before=0, chance=1.0)
    with pytest.raises(InvalidInput, match="`more` must not be negative"):
        demand_until(until(1.0), more=-1.0)
