"""What a renewal takes, estimated from renewals seen; counts of renewals compounded to counts of kits."""

import numpy as np
import pytest
from scipy.special import betaincinv

from forecasting.errors import InvalidInput
from forecasting.histories import AsFound
from forecasting.kit_attribution import Bill, Kind, RenewalSeen
from forecasting.kits_per_renewal import (
    ELSE_WORTH,
    OTHERS_WORTH,
    STATED_WORTH,
    KitChances,
    chance_points,
    kits_from_renewals,
    kits_per_renewal,
    spread_columns,
)

ONE: Bill = (("P", 1),)
TWO: Bill = (("P", 2),)
OTHER: Bill = (("B", 1),)


def seen(
    kits: Bill, times: int, *, service_class: str = "air", kind: Kind = Kind.UNPLANNED, found: AsFound | None = None
) -> list[RenewalSeen]:
    """So many renewals alike."""
    one = RenewalSeen(design="D", item="packing", service_class=service_class, kind=kind, found=found, kits=kits)
    return [one] * times


def chances(*weights: float, outcomes: tuple[Bill, ...] = (ONE, TWO, OTHER)) -> KitChances:
    """Weights of one kit, two kits, another kit."""
    return KitChances(
        outcomes=outcomes[: len(weights)], weights=np.array(weights), seen=np.zeros(len(weights), dtype=np.int64)
    )


def test_the_posterior_mean_is_prior_plus_seen_over_both_sums() -> None:
    """(a + k) / (a + b + n), by hand: 4 of 12 renewals took two."""
    made = kits_per_renewal([*seen(ONE, 8), *seen(TWO, 4)], stated=ONE, labels=["air"])
    a, b = ELSE_WORTH, STATED_WORTH
    assert made.outcomes == (ONE, TWO)
    assert made.mean[1] == pytest.approx((a + 4) / (a + b + 12))
    assert made.seen.tolist() == [8, 4]
    assert made.prior_share == pytest.approx(2.5 / 14.5)
    limits = made.limits("P", confidence=0.9)
    assert limits[2] == pytest.approx(betaincinv(4.5, 10.0, [0.05, 0.95]))
    assert limits[0].tolist() == [0.0, 0.0]  # a renewal without a kit was never seen


def test_where_nothing_but_the_stated_kit_was_seen_nothing_else_has_a_chance() -> None:
    for renewals in ([], seen(ONE, 3), [*seen(ONE, 9), *seen(ONE, 9, service_class="acid")]):
        made = kits_per_renewal(renewals, stated=ONE, labels=["air", "unplanned"])
        assert not made.departs
        assert (made.outcomes, made.mean.tolist()) == ((ONE,), [1.0])
        assert made.limits("P", confidence=0.9)[1].tolist() == [1.0, 1.0]


def test_other_circumstances_are_worth_so_many_renewals_at_most_and_each_is_used_once() -> None:
    """By hand: 60 renewals in acid, half with two kits; 10 planned ones in air, none; 5 unplanned ones, 1."""
    elsewhere = [*seen(ONE, 30, service_class="acid"), *seen(TWO, 30, service_class="acid")]
    planned = seen(ONE, 10, kind=Kind.PLANNED)
    unplanned = [*seen(ONE, 4), *seen(TWO, 1)]
    made = kits_per_renewal([*elsewhere, *planned, *unplanned], stated=ONE, labels=["air", "unplanned"])
    acid = np.array([STATED_WORTH + 30, ELSE_WORTH + 30])
    air = OTHERS_WORTH * acid / acid.sum() + [10.0, 0.0]
    np.testing.assert_allclose(made.weights, OTHERS_WORTH * air / air.sum() + [4.0, 1.0])
    by_class = kits_per_renewal([*elsewhere, *planned, *unplanned], stated=ONE, labels=["air"])
    np.testing.assert_allclose(by_class.weights, OTHERS_WORTH * acid / acid.sum() + [14.0, 1.0])
    assert by_class.seen.sum() == 15


def test_a_class_without_renewals_takes_what_the_design_takes_elsewhere() -> None:
    made = kits_per_renewal(seen(TWO, 50, service_class="acid"), stated=ONE, labels=["air", "planned"])
    assert made.mean[1] == pytest.approx(50.5 / 52.5)
    assert made.weights.sum() == pytest.approx(OTHERS_WORTH)
    assert made.prior_share == 1.0


def test_as_found_tells_more_where_it_was_stated() -> None:
    """Failed ones take two, ok ones one; those whose state isn't stated count as others."""
    renewals = [*seen(ONE, 20, found=AsFound.OK), *seen(TWO, 20, found=AsFound.FAILED), *seen(ONE, 5)]
    by_state = {
        state: kits_per_renewal(renewals, stated=ONE, labels=["air", "unplanned", state]).mean[1]
        for state in ("ok", "failed", "worn")
    }
    assert by_state["ok"] == pytest.approx(OTHERS_WORTH * 20.5 / 27.5 / 30)
    assert by_state["failed"] == pytest.approx((OTHERS_WORTH * 0.5 / 27.5 + 20) / 30)
    assert by_state["worn"] == pytest.approx(20.5 / 47.5)


def test_quantities_of_a_kit_are_added_over_outcomes() -> None:
    both: Bill = (("B", 1), ("P", 1))
    made = chances(6.0, 3.0, 1.0, outcomes=(ONE, TWO, both))
    assert made.kits == ("P", "B")
    assert (made.weights @ made.taking("P")).tolist() == [0.0, 7.0, 3.0]
    assert (made.weights @ made.taking("B")).tolist() == [9.0, 1.0]


def test_points_are_equally_likely_and_their_moments_are_those_of_the_posterior() -> None:
    """Beta(3, 5): mean exact, variance short of 15 / 576 by what lies within the parts."""
    points = chance_points(chances(3.0, 5.0), unit=spread_columns(64, columns=1))
    np.testing.assert_allclose(points.sum(axis=1), 1.0, atol=1e-15)
    assert points[:, 0].mean() == pytest.approx(3 / 8, abs=1e-12)
    assert points[:, 0].var() == pytest.approx(3 * 5 / (8**2 * 9), rel=0.01)
    edges = betaincinv(3.0, 5.0, np.arange(65) / 64)
    ordered = np.sort(points[:, 0])
    assert ((edges[:-1] < ordered) & (ordered < edges[1:])).all()


def test_points_of_three_outcomes_have_the_moments_of_a_dirichlet_distribution() -> None:
    """Variances m (1 - m) / (A + 1), covariances -m m' / (A + 1)."""
    weights = np.array([6.0, 2.5, 1.5])
    points = chance_points(chances(*weights), unit=spread_columns(256, columns=2))
    mean = weights / weights.sum()
    np.testing.assert_allclose(points.mean(axis=0), mean, rtol=1e-12)
    wanted = (np.diag(mean) - np.outer(mean, mean)) / (weights.sum() + 1.0)
    np.testing.assert_allclose(np.cov(points.T, bias=True), wanted, rtol=0.05, atol=1e-5)


def test_one_point_is_the_mean() -> None:
    made = chances(6.0, 2.5, 1.5)
    np.testing.assert_allclose(chance_points(made, unit=spread_columns(1, columns=2))[0], made.mean, rtol=1e-12)


def test_an_outcome_without_weight_gets_no_point() -> None:
    points = chance_points(chances(2.0, 0.0, 2.0), unit=spread_columns(8, columns=2))
    assert not points[:, 1].any()
    np.testing.assert_allclose(points.sum(axis=1), 1.0, atol=1e-15)


def test_points_need_a_column_for_each_outcome_but_one() -> None:
    with pytest.raises(InvalidInput, match=r"`unit` must have shape \(k, 2\), got \(8, 1\)"):
        chance_points(chances(1.0, 1.0, 1.0), unit=spread_columns(8, columns=1))


def test_columns_hold_every_middle_once_and_none_is_another() -> None:
    columns = spread_columns(64, columns=12)
    np.testing.assert_allclose(np.sort(columns, axis=0), np.tile((np.arange(64)[:, None] + 0.5) / 64, 12))
    between = np.asarray(np.corrcoef(columns.T))[np.triu_indices(12, 1)]
    assert np.abs(between).max() < 4.0 / np.sqrt(63)  # no more alike than shuffled ones
    np.testing.assert_array_equal(columns[:, 5:7], spread_columns(64, columns=2, first=5))


def test_renewals_compound_to_kits_as_by_hand() -> None:
    """Two renewals, each one or two kits: 2, 3 or 4 with 0.49, 0.42, 0.09."""
    counts = np.array([[0.0, 0.0, 1.0], [0.2, 0.8, 0.0]])
    kits = kits_from_renewals(counts, np.array([0.0, 0.7, 0.3]))
    np.testing.assert_allclose(kits, [[0.0, 0.0, 0.49, 0.42, 0.09], [0.2, 0.56, 0.24, 0.0, 0.0]], atol=1e-15)


def test_expected_kits_are_the_product_and_every_row_sums_to_one() -> None:
    """At every point; the variance is that of a random sum: E[n] var + var(n) mean^2."""
    rng = np.random.default_rng(0)
    counts = rng.dirichlet(np.ones(5), size=7)
    outcome = rng.dirichlet(np.ones(4), size=3)
    kits = kits_from_renewals(counts, outcome[:, None])
    n, q, k = np.arange(5), np.arange(4), np.arange(kits.shape[2])
    assert kits.shape == (3, 7, 13)
    np.testing.assert_allclose(kits.sum(axis=2), 1.0, atol=1e-12)
    renewals, each = counts @ n, outcome @ q
    np.testing.assert_allclose(kits @ k, np.outer(each, renewals))
    spread_each, spread_n = outcome @ q**2 - each**2, counts @ n**2 - renewals**2
    wanted = np.outer(spread_each, renewals) + np.outer(each**2, spread_n)
    np.testing.assert_allclose(kits @ k**2 - (kits @ k) ** 2, wanted)


def test_compounded_counts_agree_with_a_simulation() -> None:
    """200,000 valves, renewed and supplied one by one; total variation within what so many can show."""
    rng, many = np.random.default_rng(1), 200_000
    counts, outcome = np.array([[0.35, 0.3, 0.2, 0.1, 0.05]]), np.array([0.1, 0.6, 0.25, 0.05])
    renewals = rng.choice(5, size=many, p=counts[0])
    each = rng.choice(4, size=(many, 4), p=outcome)
    drawn = np.where(np.arange(4) < renewals[:, None], each, 0).sum(axis=1)
    wanted = kits_from_renewals(counts, outcome)[0]
    shown = np.bincount(drawn, minlength=len(wanted)) / many
    # expected total variation of a sample: sum of sqrt(2 p (1 - p) / (pi n)) / 2; three times that is out of reach
    floor = float(np.sqrt(2.0 * wanted * (1.0 - wanted) / (np.pi * many)).sum() / 2.0)
    assert np.abs(shown - wanted).sum() / 2.0 < 2.0 * floor
