"""Renewals turned into the kits they take, class by class: exact means, uncertainty shared by the valves."""

import numpy as np
import pytest
from scipy.special import betaln, gammaln

from forecasting.arrays import FloatArray
from forecasting.consumption import Group, TakeUp, Window
from forecasting.demand import kit_demand, running_demand
from forecasting.kit_attribution import Bill, Kind, RenewalSeen
from forecasting.kits_consumed import kits_consumed, outcomes_by_class
from forecasting.kits_per_renewal import kits_per_renewal

YEAR: Window = (0.0, 365.0)
POINTS = 64
ONE: Bill = (("P", 1),)
TWO: Bill = (("P", 2),)


def seen(kits: Bill, times: int, *, kind: Kind = Kind.UNPLANNED, service_class: str = "air") -> list[RenewalSeen]:
    """So many renewals alike."""
    one = RenewalSeen(
        valve="V", design="D", item="packing", service_class=service_class, kind=kind, found=None, kits=kits
    )
    return [one] * times


def taken(counts: FloatArray, *, kind: Kind = Kind.UNPLANNED, service_class: str = "air") -> tuple[Group, TakeUp]:
    """Renewals of one kind, by valve."""
    valves = tuple(f"V{number}" for number in range(len(counts)))
    expected = counts @ np.arange(counts.shape[1])
    kinds = {one: expected if one is kind else np.zeros(len(counts)) for one in Kind}
    one = TakeUp(
        kit="P",
        qty=1,
        items=("packing",),
        valves=valves,
        probabilities={YEAR: counts},
        running={YEAR: np.ones((len(counts), 1)) if kind is Kind.TURNAROUND else counts},
        unplanned={YEAR: kinds[Kind.UNPLANNED]},
        planned={YEAR: kinds[Kind.PLANNED]},
        turnaround={YEAR: kinds[Kind.TURNAROUND]},
        note="",
    )
    return Group(plans=(), valves=valves, ages=(), service_class=service_class, design="D"), one


def each_once(valves: int) -> FloatArray:
    """Valves renewed once, for sure."""
    return np.tile([0.0, 1.0], (valves, 1))


def total(pair: tuple[Group, TakeUp], record: list[RenewalSeen], *, kit: str = "P", points: int = POINTS) -> FloatArray:
    """Kits of all valves together: the product at each point, then the mean over points."""
    group, one = pair
    outcomes = outcomes_by_class([pair], record, points=points)
    at = [
        kit_demand(
            [part for part in kits_consumed(one, group, outcomes, point=point) if part.kit == kit],
            YEAR,
            valves=frozenset(group.valves),
        ).probabilities
        for point in range(points)
    ]
    summed = np.zeros(max(len(pmf) for pmf in at))
    for pmf in at:
        summed[: len(pmf)] += pmf / points
    return summed


def beta_binomial(many: int, first: float, second: float) -> FloatArray:
    """Chances of 0 .. many of so many, the probability of each being Beta distributed and the same for all."""
    k = np.arange(many + 1)
    choose = gammaln(many + 1) - gammaln(k + 1) - gammaln(many - k + 1)
    return np.asarray(np.exp(choose + betaln(first + k, second + many - k) - betaln(first, second)))


def test_where_every_event_took_what_the_design_states_nothing_is_touched() -> None:
    """The very same object: a forecast of such a plant has the same bytes."""
    group, one = taken(each_once(2))
    elsewhere = [RenewalSeen(**{**vars(seen(TWO, 1)[0]), "design": "E"})]
    outcomes = outcomes_by_class([(group, one)], [*seen(ONE, 9), *elsewhere], points=POINTS)
    assert outcomes == {}
    assert kits_consumed(one, group, outcomes, point=3)[0] is one


def test_the_kits_of_a_class_are_beta_binomial() -> None:
    """80 valves renewed once, 3 of 12 renewals took two kits: 80 + BB(80, 0.5 + 3, 2 + 9)."""
    found = total(taken(each_once(80)), [*seen(ONE, 9), *seen(TWO, 3)])
    wanted = beta_binomial(80, 3.5, 11.0)
    padded = np.zeros(161)
    padded[: len(found)] = found
    assert np.abs(padded[80:] - wanted).sum() / 2.0 < 0.01
    assert padded @ np.arange(161) == pytest.approx(80 + 80 * 3.5 / 14.5, rel=1e-9)


def test_uncertainty_mixed_valve_by_valve_is_caught() -> None:
    """A mutant: with the mean at every valve the total is binomial, a third as wide as it should be."""
    record = [*seen(ONE, 9), *seen(TWO, 3)]
    k = np.arange(81)

    def spread(pmf: FloatArray) -> float:
        kits = np.arange(len(pmf))
        return float(np.sqrt(pmf @ kits**2 - (pmf @ kits) ** 2))

    wanted = beta_binomial(80, 3.5, 11.0)
    shared, mutant = spread(total(taken(each_once(80)), record)), spread(total(taken(each_once(80)), record, points=1))
    assert shared == pytest.approx(np.sqrt(wanted @ k**2 - (wanted @ k) ** 2), rel=0.01)
    assert mutant == pytest.approx(np.sqrt(80 * 3.5 * 11.0) / 14.5, rel=1e-6)
    assert mutant < 0.45 * shared


def test_another_kit_is_demanded_beside_the_designs() -> None:
    """5 of 20 trims came from the other supplier: means add up to the renewals."""
    record = [*seen(ONE, 15), *seen((("B", 1),), 5)]
    pair = taken(np.array([[0.3, 0.5, 0.2], [0.9, 0.1, 0.0]]))
    means = {kit: float((pmf := total(pair, record, kit=kit)) @ np.arange(len(pmf))) for kit in ("P", "B")}
    assert means["B"] == pytest.approx(1.0 * 5.5 / 22.5, rel=1e-9)
    assert sum(means.values()) == pytest.approx(1.0, rel=1e-9)


def test_a_class_takes_what_its_own_renewals_say_and_points_of_classes_are_independent() -> None:
    record = [*seen(TWO, 40), *seen(ONE, 40, service_class="acid")]
    air, acid = taken(each_once(3)), taken(each_once(3), service_class="acid")
    outcomes = outcomes_by_class([air, acid], record, points=POINTS)
    two = {
        group.service_class: np.array([
            kits_consumed(one, group, outcomes, point=point)[0].probabilities[YEAR][0, 2] for point in range(POINTS)
        ])
        for group, one in (air, acid)
    }
    assert two["air"].mean() > 0.7
    assert two["acid"].mean() < 0.3
    assert abs(np.corrcoef(two["air"], two["acid"])[0, 1]) < 4.0 / np.sqrt(POINTS - 1)


def test_planned_and_turnaround_renewals_take_what_such_renewals_took() -> None:
    """Failures two kits, planned ones one; a class that is both takes them in their shares."""
    record = [*seen(TWO, 60), *seen(ONE, 60, kind=Kind.PLANNED)]
    expected = {
        kind: kits_per_renewal(record, stated=ONE, labels=["air", kind.value]).mean @ [1.0, 2.0] for kind in Kind
    }
    group, one = taken(each_once(4))
    half = one.unplanned[YEAR] / 2.0
    both = TakeUp(**{**vars(one), "unplanned": {YEAR: half}, "planned": {YEAR: half}})
    kits = kits_consumed(both, group, outcomes_by_class([(group, both)], record, points=1), point=0)
    demand = kit_demand(kits, YEAR, valves=frozenset(group.valves))
    assert demand.unplanned == pytest.approx(2.0 * expected[Kind.UNPLANNED])
    assert demand.planned == pytest.approx(2.0 * expected[Kind.PLANNED])
    assert demand.mean == pytest.approx(demand.unplanned + demand.planned)
    assert expected[Kind.UNPLANNED] > 1.8
    assert expected[Kind.PLANNED] < 1.2


def test_what_is_planned_for_a_turnaround_stays_out_of_the_running_demand() -> None:
    group, one = taken(each_once(4), kind=Kind.TURNAROUND)
    outcomes = outcomes_by_class([(group, one)], [*seen(TWO, 5), *seen(ONE, 5)], points=1)
    kits = kits_consumed(one, group, outcomes, point=0)
    assert running_demand(kits, YEAR, valves=frozenset(group.valves)).mean == 0.0
    assert kit_demand(kits, YEAR, valves=frozenset(group.valves)).turnaround > 4.0


def test_class_totals_agree_with_a_simulation_renewal_by_renewal() -> None:
    """30 valves; shares drawn from the posterior, then each renewal's kits: 40,000 futures, seed 0."""
    record = [*seen(ONE, 12), *seen(TWO, 5), *seen((("P", 3),), 3)]
    counts = np.tile([0.5, 0.3, 0.15, 0.05], (30, 1))
    found = total(taken(counts), record)
    rng, many = np.random.default_rng(0), 40_000
    shares = rng.dirichlet([2.0 + 12, 0.5 + 5, 0.5 + 3], size=many)
    renewals = rng.choice(4, size=(many, 30), p=counts[0]).sum(axis=1)
    drawn = (rng.multinomial(renewals, shares) @ np.array([1, 2, 3])).astype(np.int64)
    shown = np.bincount(drawn, minlength=len(found)) / many
    length = max(len(shown), len(found))
    away = np.pad(shown, (0, length - len(shown))) - np.pad(found, (0, length - len(found)))
    floor = float(np.sqrt(2.0 * found * (1.0 - found) / (np.pi * many)).sum() / 2.0)
    assert np.abs(away).sum() / 2.0 < 2.0 * floor
    assert found @ np.arange(len(found)) == pytest.approx(drawn.mean(), rel=0.005)


def test_ninety_per_cent_of_what_renewals_to_come_take_lies_where_it_was_said() -> None:
    """240 classes of 80 designs, departing with Beta(1, 6), classes spread by 0.5 in log odds; seed 2,000.

    Ten renewals a class are seen, the extra kits of the next 20 foretold. Coverage by the share of each outcome's
    chance that lies between 5 and 95 %, on designs that were seen to depart; 99.7 % band of so many classes, which
    isn't narrowed for the three classes of a design being alike.
    """
    rng = np.random.default_rng(2000)
    design = rng.beta(1.0, 6.0, size=80)
    odds = np.log(design / (1.0 - design))[:, None] + rng.normal(0.0, 0.5, size=(80, 3))
    departing = 1.0 / (1.0 + np.exp(-odds))
    extra, ahead = rng.binomial(10, departing), rng.binomial(20, departing)
    inside = []
    for number in np.flatnonzero(extra.sum(axis=1)):
        record = [
            one
            for place, twos in enumerate(extra[number].tolist())
            for kits, times in ((TWO, twos), (ONE, 10 - twos))
            for one in seen(kits, times, service_class=str(place))
        ]
        for place in range(3):
            weights = kits_per_renewal(record, stated=ONE, labels=[str(place)]).weights
            pmf = beta_binomial(20, weights[1], weights[0])
            above = pmf.cumsum()[ahead[number, place]]
            chance = pmf[ahead[number, place]]
            inside.append(max(min(above, 0.95) - max(above - chance, 0.05), 0.0) / chance)
    assert np.mean(inside) == pytest.approx(0.9, abs=3.0 * np.sqrt(0.09 / len(inside)))
