"""How long orders really take: stated and seen shrunk together."""

import numpy as np
import pytest

from forecasting.errors import InvalidInput
from forecasting.received_orders import OrderTaken, lead_time_seen


def test_without_orders_it_is_as_stated() -> None:
    assert lead_time_seen([], stated=60.0, stated_spread=12.0).mean == 60.0
    assert lead_time_seen([], stated=60.0, stated_spread=None).spread == 0.0


def test_four_orders_weigh_as_much_as_what_is_stated() -> None:
    """Mean (4 * 60 + 4 * 80) / 8; variance (4 * 100 + 0 + 2 * 400) / 8, written out."""
    made = lead_time_seen([OrderTaken(days=80.0)] * 4, stated=60.0, stated_spread=10.0)
    assert (made.mean, made.seen) == (70.0, 4)
    assert made.spread == pytest.approx(np.sqrt((400.0 + 800.0) / 8.0))


def test_many_orders_are_believed() -> None:
    """Gamma of mean 90 and spread 20, seed 3; stated 30 and 2: within three standard errors of what they are."""
    days = np.random.default_rng(3).gamma(20.25, 90.0 / 20.25, 2_000)
    made = lead_time_seen([OrderTaken(days=float(one)) for one in days], stated=30.0, stated_spread=2.0)
    assert made.mean == pytest.approx(90.0, abs=3.0 * 20.0 / np.sqrt(2_000))
    assert made.spread == pytest.approx(20.0, abs=1.5)


def test_an_open_order_counts_once_it_has_taken_longer_than_stated() -> None:
    """Leaving out what hasn't come would hear of punctual orders only."""
    punctual, open_for = [OrderTaken(days=60.0)] * 2, OrderTaken(days=150.0, received=False)
    young = OrderTaken(days=20.0, received=False)
    plain = lead_time_seen([*punctual, young], stated=60.0, stated_spread=10.0)
    late = lead_time_seen([*punctual, open_for], stated=60.0, stated_spread=10.0)
    assert (plain.seen, late.seen) == (2, 3)
    assert plain.mean == 60.0
    assert late.mean > 70.0
    assert late.spread > plain.spread


def test_times_that_can_not_be_are_refused() -> None:
    with pytest.raises(InvalidInput, match="`days` must not be negative"):
        OrderTaken(days=-1.0)
    with pytest.raises(InvalidInput, match="`stated` must not be negative"):
        lead_time_seen([], stated=-1.0, stated_spread=0.0)
