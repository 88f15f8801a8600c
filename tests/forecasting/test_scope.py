"""The best scope of a turnaround, beside a search over all scopes."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from forecasting.errors import InfeasibleTarget, InvalidInput
from forecasting.rebuild_work import ItemWork, Work, choices_of, work_of
from forecasting.turnarounds import Candidate, Limits, Option, best_scope, options_of, worth_of_limits

UNITS = Limits(budget=100.0, hours=1.0, valves=1.0)


def invented(rng: np.random.Generator, valves: int) -> list[Candidate]:
    """Valves of two or three items, one kit covering the other's."""
    made = []
    for number in range(valves):
        needs = [
            ItemWork(
                item="trim", kit="T", qty=1, kit_cost=float(rng.integers(500, 4000)),
                renews=frozenset({"trim", "packing"}), work_cost=float(rng.integers(100, 900)),
                hours=float(rng.integers(4, 12)), opening_cost=300.0, opening_hours=4.0,
            ),
            ItemWork(
                item="packing", kit="P", qty=1, kit_cost=80.0, renews=frozenset({"packing"}), work_cost=100.0,
                hours=2.0, opening_cost=100.0, opening_hours=1.0,
            ),
            ItemWork(
                item="actuator", kit="A", qty=2, kit_cost=150.0, renews=frozenset({"actuator"}), work_cost=200.0,
                hours=3.0,
            ),
        ][: 2 + number % 2]  # fmt: skip
        leaving = {need.item: float(rng.uniform(0.0, 4000.0)) for need in needs}
        luck = rng.random()
        made.append(
            Candidate(
                tag=f"FV-{number}",
                options=options_of(choices_of(needs), leaving),
                must_open=luck < 0.15,
                needed=frozenset({"packing"}) if luck < 0.08 else frozenset(),
            )
        )
    return made


def best_by_trying_all(candidates: list[Candidate], limits: Limits) -> float:
    """Value of the best of all scopes; minus infinity if none fits. Whole table of sums, valve by valve."""
    tables = []
    for one in candidates:
        rows = [(option.value, option.work.cost, option.work.hours, 1.0) for option in one.open_to]
        tables.append(np.array(rows if one.must_open else [(0.0, 0.0, 0.0, 0.0), *rows]))
    sums = np.zeros((1, 4))
    for table in tables:
        sums = (sums[:, None] + table[None]).reshape(-1, 4)
    fits = (sums[:, 1:] <= np.array([limits.budget, limits.hours, limits.valves]) + 1e-6).all(axis=1)
    return float(sums[fits, 0].max()) if fits.any() else -np.inf


@pytest.mark.parametrize("seed", range(8))
def test_the_solver_finds_what_trying_all_scopes_finds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    candidates = invented(rng, 6 if seed < 6 else 7)
    whole = best_scope(candidates, Limits()).used
    for share in (0.4, 0.7):
        limits = Limits(
            budget=share * whole.budget, hours=share * whole.hours + 4.0, valves=float(round(share * whole.valves) + 1)
        )
        wanted = best_by_trying_all(candidates, limits)
        if wanted == -np.inf:
            with pytest.raises(InfeasibleTarget, match="more than the limits allow"):
                best_scope(candidates, limits)
            continue
        best = best_scope(candidates, limits)
        assert best.value == pytest.approx(wanted, abs=1e-6)
        worths = {one.limit: one for one in worth_of_limits(candidates, limits, units=UNITS, best=best)}
        for name in ("budget", "hours", "valves"):
            more = replace(limits, **{name: getattr(limits, name) + getattr(UNITS, name)})
            assert worths[name].worth == pytest.approx(best_by_trying_all(candidates, more) - wanted, abs=1e-6)


def test_twelve_valves_of_one_option_each_beside_all_scopes() -> None:
    rng = np.random.default_rng(12)
    candidates = [
        Candidate(
            tag=f"FV-{number}",
            options=(
                Option(
                    work=Work(
                        items=frozenset({"trim"}), kits=(), kit_cost=float(rng.integers(100, 999)), work_cost=0.0,
                        hours=float(rng.integers(1, 9)),
                    ),
                    value=float(rng.integers(1, 999)),
                ),
            ),
        )
        for number in range(12)
    ]  # fmt: skip
    limits = Limits(budget=2500.0, hours=24.0, valves=6.0)
    tried = [
        sum(one.options[0].value for one in some)
        for taken in product((False, True), repeat=12)
        for some in [[one for one, chosen in zip(candidates, taken, strict=True) if chosen]]
        if sum(one.options[0].work.cost for one in some) <= 2500.0
        and sum(one.options[0].work.hours for one in some) <= 24.0
        and len(some) <= 6
    ]
    assert best_scope(candidates, limits).value == pytest.approx(max(tried))


def test_without_limits_every_valve_is_opened_for_what_pays_most() -> None:
    candidates = invented(np.random.default_rng(99), 12)
    wanted = 0.0
    for one in candidates:
        most = max(option.value for option in one.open_to)
        wanted += most if one.must_open else max(most, 0.0)
    assert best_scope(candidates, Limits()).value == pytest.approx(wanted)


def test_items_share_the_opening() -> None:
    need = ItemWork(item="seat", kit="S", qty=1, kit_cost=0.0, renews=frozenset({"seat"}), opening_cost=300.0)
    other = replace(need, item="stem", kit="R", renews=frozenset({"stem"}))
    options = options_of(choices_of([need, other]), {"seat": 200.0, "stem": 200.0})
    assert [option.value for option in options] == [-100.0, -100.0, 100.0]


def test_what_is_renewed_on_every_opening_comes_along_and_never_alone() -> None:
    seat = ItemWork(item="seat", kit="S", qty=1, kit_cost=500.0, renews=frozenset({"seat"}), hours=3.0)
    gasket = ItemWork(
        item="gasket", kit="G", qty=2, kit_cost=10.0, renews=frozenset({"gasket"}), on_opening=True, hours=0.5
    )
    assert [work.items for work in choices_of([seat, gasket])] == [frozenset({"seat", "gasket"})]
    work = work_of([gasket, seat], frozenset({"seat"}))
    assert (work.kits, work.cost, work.hours) == ((("G", 2), ("S", 1)), 520.0, 3.5)


def test_nothing_is_opened_for_nothing() -> None:
    assert best_scope([], Limits(valves=3.0)).chosen == {}
    with pytest.raises(InvalidInput, match="has to be opened, but for nothing"):
        best_scope([Candidate(tag="FV-1", options=(), must_open=True)], Limits())


def test_work_is_of_items_of_the_design() -> None:
    with pytest.raises(InvalidInput, match="must be items of the design"):
        work_of([], frozenset({"seat"}))
