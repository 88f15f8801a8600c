"""Which kits a valve takes: links between items, and where they start."""

import math

import numpy as np
import pytest

from forecasting.consumption import ItemPlan, Window
from forecasting.demand import kit_demand
from forecasting.kit_links import kit_links
from tests.forecasting.valve_plans import plan, stands, take

INF = math.inf
FIRST_YEAR: Window = (0.0, 365.0)
QUARTER: Window = (0.0, 91.0)


def links(*plans: ItemPlan) -> dict[frozenset[str], tuple[frozenset[str], str]]:
    """Items renewed together, with what they are under, and what is left out of account."""
    return {
        frozenset(one.item for one in link.plans): (
            frozenset(one.item for one in link.outer.plans) if link.outer else frozenset(),
            link.note,
        )
        for link in kit_links(plans)
    }


def test_the_packing_is_under_the_trim_whose_kit_renews_it_too() -> None:
    """The actuator is on its own."""
    assert links(plan("packing"), plan("trim", "packing"), plan("actuator")) == {
        frozenset({"packing"}): (frozenset({"trim"}), ""),
        frozenset({"trim"}): (frozenset(), ""),
        frozenset({"actuator"}): (frozenset(), ""),
    }


def test_items_whose_kits_renew_each_other_are_one() -> None:
    """One kit is taken for all of them; where there are two, that is said."""
    together = links(plan("seat", "plug", kit="S"), plan("plug", "seat", kit="S"), plan("packing"))
    assert together == {frozenset({"seat", "plug"}): (frozenset(), ""), frozenset({"packing"}): (frozenset(), "")}
    two_kits = links(plan("seat", "plug", kit="S"), plan("plug", "seat", kit="P"))
    assert two_kits == {
        frozenset({"seat", "plug"}): (frozenset(), "P and S renew the same items: counted as one"),
    }


def test_items_joined_through_a_third_are_one() -> None:
    """In whatever order they come."""
    joined = links(plan("seat", "plug"), plan("cage", "plug"), plan("plug", "seat", "cage"))
    assert list(joined) == [frozenset({"seat", "plug", "cage"})]


def test_a_third_level_is_left_out_of_account_and_said() -> None:
    """The seal is renewed with the packing and with the trim: the topmost is kept."""
    nested = links(plan("seal"), plan("packing", "seal"), plan("trim", "packing", "seal"))
    assert nested[frozenset({"seal"})] == (
        frozenset({"trim"}),
        "renewal together with packing is left out of account",
    )
    assert nested[frozenset({"packing"})] == (frozenset({"trim"}), "")


def test_of_two_that_renew_it_the_shorter_lived_is_kept() -> None:
    """The other is said to be left out."""
    both = links(plan("packing"), plan("trim", "packing", scale=3000.0), plan("bonnet", "packing", scale=900.0))
    assert both[frozenset({"packing"})] == (
        frozenset({"bonnet"}),
        "renewal together with trim is left out of account",
    )


def test_what_awaits_renewal_takes_its_kit_at_once() -> None:
    """Unplanned, with a chance of 1, in a window of a day."""
    day: Window = (0.0, 1.0)
    taken = take((plan("seat"),), (stands("seat", age=50, awaits_renewal=True),), windows=(day,))["seat kit"]
    assert taken.probabilities[day][0, 1] == pytest.approx(1.0, abs=1e-5)
    assert taken.unplanned[day][0] == pytest.approx(1.0, abs=1e-5)
    assert taken.planned[day][0] == 0.0


def test_where_all_await_renewal_the_trims_kit_covers_the_packing() -> None:
    """One trim kit at once, no packing kit."""
    day: Window = (0.0, 1.0)
    waiting = tuple(stands(item, age=50, awaits_renewal=True) for item in ("packing", "trim"))
    taken = take((plan("packing"), plan("trim", "packing")), waiting, windows=(day,))
    assert taken["trim kit"].probabilities[day][0, 1] == pytest.approx(1.0, abs=1e-5)
    assert taken["packing kit"].probabilities[day][0, 0] == pytest.approx(1.0, abs=1e-5)
    assert taken["packing kit"].unplanned[day][0] == pytest.approx(0.0, abs=1e-5)


def test_two_kits_at_a_time_double_the_demand() -> None:
    """Renewals are counted once, kits twice."""
    one, two = (
        take((plan("seat", qty=qty),), (stands("seat", age=900),), windows=(FIRST_YEAR,))["seat kit"] for qty in (1, 2)
    )
    assert np.array_equal(one.probabilities[FIRST_YEAR], two.probabilities[FIRST_YEAR])
    assert two.unplanned[FIRST_YEAR] == pytest.approx(2.0 * one.unplanned[FIRST_YEAR], rel=1e-12)
    demands = [kit_demand([taken], FIRST_YEAR, valves=frozenset({"V0"})) for taken in (one, two)]
    assert demands[1].probabilities[::2] == pytest.approx(demands[0].probabilities, abs=1e-12)
    assert demands[1].mean == pytest.approx(2.0 * demands[0].mean, rel=1e-9)


@pytest.mark.parametrize("interval", [INF, 730.0])
def test_unknown_starts_mix_to_a_proper_distribution(interval: float) -> None:
    """Of an item worse than new, and the same for valves with the same record."""
    plans = (plan("packing", interval=interval), plan("trim", "packing", scale=2500.0, interval=2.0 * interval))
    new = tuple(stands(item, age=0) for item in ("packing", "trim"))
    unknown = tuple(stands(item, age=None, survived=400, in_place=5000) for item in ("packing", "trim"))
    taken = take(plans, new, unknown, unknown)
    for kit in ("packing kit", "trim kit"):
        counts = taken[kit].probabilities[QUARTER]
        assert np.abs(counts.sum(axis=1) - 1.0).max() < 1e-9
        assert np.array_equal(counts[1], counts[2])
        assert counts[1, 0] < counts[0, 0]


def test_an_overdue_valve_of_unknown_start_is_due_at_once() -> None:
    """Not renewed for 900 days under a policy of 365: planned, not unplanned, whatever its age."""
    day: Window = (0.0, 1.0)
    unknown = (stands("seat", age=None, survived=900, in_place=4000),)
    taken = take((plan("seat", interval=365.0),), unknown, windows=(day,))["seat kit"]
    assert taken.planned[day][0] == pytest.approx(1.0, abs=1e-9)
    assert taken.unplanned[day][0] == pytest.approx(0.0, abs=1e-5)


def test_a_group_without_valves_takes_nothing() -> None:
    """No row, and no demand."""
    taken = take((plan("packing"), plan("trim", "packing")))
    assert all(one.probabilities[QUARTER].shape[0] == 0 for one in taken.values())


def test_lives_of_days_are_said_to_be_beyond_counting() -> None:
    """199 renewals a window are told apart."""
    taken = take((plan("seat", scale=2.0),), (stands("seat", age=0),), windows=(QUARTER, (0.0, 730.0)))["seat kit"]
    assert taken.note == "more than 199 renewals in a window count as so many"
    assert take((plan("seat"),), (stands("seat", age=0),))["seat kit"].note == ""


def test_short_lives_are_counted_on_finer_cells() -> None:
    """A mean life of 20 days at a constant rate: within 0.5 %, where weekly cells would be 1 % off."""
    taken = take((plan("seat", shape=1.0, scale=20.0),), (stands("seat", age=0),), windows=(FIRST_YEAR,))["seat kit"]
    assert taken.unplanned[FIRST_YEAR][0] == pytest.approx(365.0 / 20.0, rel=1e-3)
