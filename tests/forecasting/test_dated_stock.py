"""Stock on a day, and what an earlier need leaves of it: counted by hand, and against a shelf told day by day."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
import pytest

from forecasting.dated_stock import Supply, left_after, there_on
from forecasting.errors import InvalidInput

Left = Callable[..., tuple[Supply, ...]]


def test_what_has_arrived_and_not_expired_is_there() -> None:
    supplies = (Supply(qty=2, expires=30.0), Supply(qty=3, arrives=40.0), Supply(qty=4, arrives=-5.0), Supply(qty=1))
    assert [there_on(supplies, day=day) for day in (0.0, 29.0, 30.0, 39.0, 40.0)] == [7, 7, 5, 5, 8]


def test_what_expires_first_is_taken_first_and_later_arrivals_are_left_alone() -> None:
    supplies = (Supply(qty=3), Supply(qty=2, expires=60.0), Supply(qty=2, arrives=55.0), Supply(qty=9, expires=10.0))
    left = left_after(supplies, qty=4, day=50.0)
    assert [one.qty for one in left] == [1, 0, 2, 9]
    assert there_on(left, day=70.0) == 1 + 2
    assert [one.qty for one in left_after(supplies, qty=100, day=50.0)] == [0, 0, 2, 9]


def played(supplies: Sequence[Supply], needs: Sequence[tuple[int, int]], left: Left) -> list[int]:
    """Say what each need finds."""
    found = []
    for day, qty in needs:
        found.append(there_on(supplies, day=float(day)))
        supplies = left(supplies, qty=qty, day=float(day))
    return found


def told_kit_by_kit(supplies: Sequence[Supply], needs: Sequence[tuple[int, int]]) -> list[int]:
    """Tell the same with every kit on its own."""
    kits = [(one.expires, one.arrives) for one in supplies for _ in range(one.qty)]
    found = []
    for day, qty in needs:
        usable = sorted(kit for kit in kits if kit[1] <= day < kit[0])
        found.append(len(usable))
        for kit in usable[:qty]:
            kits.remove(kit)
    return found


def shelves(seed: int) -> tuple[tuple[Supply, ...], list[tuple[int, int]]]:
    """Draw a shelf and three needs in the order of their days."""
    rng = np.random.default_rng(seed)
    supplies = tuple(
        Supply(qty=int(qty), arrives=float(arrives), expires=float(expires) if lasts else float("inf"))
        for qty, arrives, expires, lasts in zip(
            rng.integers(0, 5, 6),
            rng.integers(-20, 60, 6),
            rng.integers(1, 100, 6),
            rng.integers(0, 2, 6),
            strict=True,
        )
    )
    days, wanted = np.sort(rng.integers(1, 80, 3)), rng.integers(0, 8, 3)
    return supplies, [(int(day), int(qty)) for day, qty in zip(days, wanted, strict=True)]


CASES = [shelves(seed) for seed in range(60)]


def test_needs_find_what_a_shelf_told_kit_by_kit_has() -> None:
    assert [played(*case, left_after) for case in CASES] == [told_kit_by_kit(*case) for case in CASES]


def nothing_taken(supplies: Sequence[Supply], *, qty: int, day: float) -> tuple[Supply, ...]:
    """Count the same stock for every need."""
    return tuple(supplies)


def last_expiring_first(supplies: Sequence[Supply], *, qty: int, day: float) -> tuple[Supply, ...]:
    """Keep the kits that expire for those who come too late to use them."""
    turned = [replace(one, expires=1e6 - min(one.expires, 1e5)) if one.usable_on(day) else one for one in supplies]
    left = left_after(turned, qty=qty, day=day)
    return tuple(replace(one, qty=now.qty) for one, now in zip(supplies, left, strict=True))


def from_what_has_not_arrived(supplies: Sequence[Supply], *, qty: int, day: float) -> tuple[Supply, ...]:
    """Take from orders that come later, too."""
    left = left_after([replace(one, arrives=0.0) for one in supplies], qty=qty, day=day)
    return tuple(replace(one, qty=now.qty) for one, now in zip(supplies, left, strict=True))


@pytest.mark.parametrize("wrong", [nothing_taken, last_expiring_first, from_what_has_not_arrived])
def test_wrong_takings_are_found_out(wrong: Left) -> None:
    assert [played(*case, wrong) for case in CASES] != [told_kit_by_kit(*case) for case in CASES]


def test_impossible_supplies_are_refused() -> None:
    for wrong in ({"qty": -1}, {"qty": 1, "arrives": float("nan")}, {"qty": 1, "expires": float("nan")}):
        with pytest.raises(InvalidInput, match="a supply needs a `qty` of 0 or more"):
            Supply(**wrong)
