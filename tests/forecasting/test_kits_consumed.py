"""Renewals turned into the kits they take, class by class: exact means, uncertainty shared by the valves."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import betaln, gammaln, ndtri

from forecasting.arrays import FloatArray
from forecasting.consumption import TakeUp, Window
from forecasting.demand import kit_demand, mixed_demands, running_demand
from forecasting.kit_attribution import Bill, Kind, RenewalSeen
from forecasting.kits_consumed import ClassOutcomes, Key, kit_consumed, outcomes_by_class
from forecasting.kits_per_renewal import kits_per_renewal
from forecasting.lifetime_points import even_points

YEAR: Window = (0.0, 365.0)
POINTS = 64
ONE: Bill = (("P", 1),)
TWO: Bill = (("P", 2),)


def seen(kits: Bill, times: int, *, kind: Kind = Kind.UNPLANNED, service_class: str = "air") -> list[RenewalSeen]:
    """So many renewals alike."""
    one = RenewalSeen(design="D", item="packing", service_class=service_class, kind=kind, found=None, kits=kits)
    return [one] * times


def taken(counts: FloatArray, *, kind: Kind = Kind.UNPLANNED) -> TakeUp:
    """Renewals of one kind, by valve."""
    valves = tuple(f"V{number}" for number in range(len(counts)))
    expected = counts @ np.arange(counts.shape[1])
    kinds = {one: expected if one is kind else np.zeros(len(counts)) for one in Kind}
    return TakeUp(
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


def outcomes_of(record: list[RenewalSeen], *, points: int = POINTS, service_class: str = "air") -> ClassOutcomes:
    """What renewals of a class take."""
    key = service_class, "D", frozenset({"packing"})
    return outcomes_by_class({key: ONE}, record, points=points, taken={})[key]


def each_once(valves: int) -> FloatArray:
    """Valves renewed once, for sure."""
    return np.tile([0.0, 1.0], (valves, 1))


def total(one: TakeUp, record: list[RenewalSeen], *, kit: str = "P", points: int = POINTS) -> FloatArray:
    """Kits of all valves together: the product at each point, then the mean over points."""
    everyone = replace(
        one,
        valves=one.valves * points,
        probabilities={YEAR: np.tile(one.probabilities[YEAR], (points, 1))},
        running={},
        unplanned={YEAR: np.tile(one.unplanned[YEAR], points)},
        planned={YEAR: np.tile(one.planned[YEAR], points)},
        turnaround={YEAR: np.tile(one.turnaround[YEAR], points)},
    )
    at = kit_consumed(everyone, outcomes_of(record, points=points), kit=kit)
    mixed = mixed_demands([at], [YEAR], valves=frozenset(one.valves), weights=np.full(points, 1.0 / points))[YEAR]
    assert mixed.unplanned + mixed.planned + mixed.turnaround == pytest.approx(mixed.mean)
    return mixed.probabilities


def beta_binomial(many: int, first: float, second: float) -> FloatArray:
    """Chances of 0 .. many of so many, the probability of each being Beta distributed and the same for all."""
    k = np.arange(many + 1)
    choose = gammaln(many + 1) - gammaln(k + 1) - gammaln(many - k + 1)
    return np.asarray(np.exp(choose + betaln(first + k, second + many - k) - betaln(first, second)))


def test_where_every_event_took_what_the_design_states_nothing_is_touched() -> None:
    """So a forecast of such a plant has the same bytes; what other designs and items take doesn't matter."""
    elsewhere = [RenewalSeen(**{**vars(seen(TWO, 1)[0]), name: "E"}) for name in ("design", "item")]
    stated: dict[Key, Bill] = {("air", "D", frozenset({"packing"})): ONE, ("acid", "D", frozenset({"packing"})): ONE}
    assert outcomes_by_class(stated, [*seen(ONE, 9), *elsewhere], points=POINTS, taken={}) == {}
    assert outcomes_by_class(stated, seen(TWO, 1), points=POINTS, taken={}).keys() == stated.keys()


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
    one = taken(np.array([[0.3, 0.5, 0.2], [0.9, 0.1, 0.0]]))
    means = {kit: float((pmf := total(one, record, kit=kit)) @ np.arange(len(pmf))) for kit in ("P", "B")}
    assert means["B"] == pytest.approx(1.0 * 5.5 / 22.5, rel=1e-9)
    assert sum(means.values()) == pytest.approx(1.0, rel=1e-9)


def test_a_class_takes_what_its_own_renewals_say() -> None:
    record = [*seen(TWO, 40), *seen(ONE, 40, service_class="acid")]
    keys = [(service_class, "D", frozenset({"packing"})) for service_class in ("air", "acid")]
    outcomes = outcomes_by_class(dict.fromkeys(keys, ONE), record, points=POINTS, taken={})
    air, acid = (outcomes[key].points[Kind.UNPLANNED][:, 1] for key in keys)
    assert air.mean() > 0.7
    assert acid.mean() < 0.3


def test_designs_of_a_class_and_its_lifetimes_have_coordinates_of_their_own() -> None:
    """Where they go together, expected kits aren't the product of what is expected of each."""
    record = [*seen(TWO, 5), *seen(ONE, 5)]
    record += [replace(one, design="E") for one in record]
    stated: dict[Key, Bill] = {("air", design, frozenset({"packing"})): ONE for design in ("D", "E")}
    outcomes = outcomes_by_class(stated, record, points=12, taken={"air": 4})
    shares = [one.points[Kind.UNPLANNED][:, 1] for one in outcomes.values()]
    told = np.corrcoef([*ndtri(even_points(12, columns=4)).T, *shares])
    assert np.abs(told - np.eye(6)).max() < 0.15


def test_planned_and_turnaround_renewals_take_what_such_renewals_took() -> None:
    """Failures two kits, planned ones one; valves take them in the shares of their own renewals."""
    record = [*seen(TWO, 60), *seen(ONE, 60, kind=Kind.PLANNED)]
    each = {kind: kits_per_renewal(record, stated=ONE, labels=["air", kind.value]).mean @ [1.0, 2.0] for kind in Kind}
    one = taken(each_once(4))
    unplanned = np.array([1.0, 0.5, 0.25, 0.0])
    both = TakeUp(**{**vars(one), "unplanned": {YEAR: unplanned}, "planned": {YEAR: 1.0 - unplanned}})
    kits = kit_consumed(both, outcomes_of(record, points=1), kit="P")
    for valve, share in zip(one.valves, unplanned, strict=True):
        demand = kit_demand([kits], YEAR, valves=frozenset({valve}))
        assert demand.unplanned == pytest.approx(share * each[Kind.UNPLANNED])
        assert demand.planned == pytest.approx((1.0 - share) * each[Kind.PLANNED])
        assert demand.mean == pytest.approx(demand.unplanned + demand.planned)
    assert each[Kind.UNPLANNED] > 1.8
    assert each[Kind.PLANNED] < 1.2


def test_what_is_planned_for_a_turnaround_stays_out_of_the_running_demand() -> None:
    one = taken(each_once(4), kind=Kind.TURNAROUND)
    kits = kit_consumed(one, outcomes_of([*seen(TWO, 5), *seen(ONE, 5)], points=1), kit="P")
    assert running_demand([kits], YEAR, valves=frozenset(one.valves)).mean == 0.0
    assert kit_demand([kits], YEAR, valves=frozenset(one.valves)).turnaround > 4.0


def test_a_valve_without_renewals_takes_no_kit() -> None:
    one = taken(np.array([[1.0, 0.0]]))
    kits = kit_consumed(one, outcomes_of([*seen(TWO, 5), *seen(ONE, 5)], points=1), kit="P")
    assert kits.probabilities[YEAR].tolist() == [[1.0, 0.0, 0.0]]


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
