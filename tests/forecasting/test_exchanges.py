"""Kits of exchanged valves: how long after the exchange they are taken, and the demand dated there."""

from math import exp

import numpy as np
import pytest

from forecasting.arrays import FloatArray
from forecasting.errors import InvalidInput
from forecasting.exchanges import (
    Delays,
    ExchangeTaking,
    counts_when_taken,
    exchange_delays,
    exchange_shares,
    means_when_taken,
    outstanding,
    windows_known,
)
from forecasting.histories import Action, Event, History

TWO = Delays(days=np.array([30.0, 100.0]), shares=np.array([0.25, 0.75]), kits=4, exchanges=4, note="")
Window = tuple[float, float]
WEEKS = [(7.0 * week, 7.0 * week + 7.0) for week in range(60)]
WINDOWS = [(0.0, 50.0), (50.0, 120.0), (120.0, 365.0), (0.0, 365.0)]
MEAN_LIFE = 400.0


def failed_by(day: float) -> float:
    return 1.0 - exp(-max(day, 0.0) / MEAN_LIFE)


def expected_once(windows: list[Window]) -> dict[Window, FloatArray]:
    """Expected failures of a valve that fails once and is not watched after."""
    return {(start, end): np.array([failed_by(end) - failed_by(start)]) for start, end in windows}


def test_delays_are_those_of_the_record_reduced_without_changing_their_mean() -> None:
    issued = tuple(range(1, 26))  # 25 delays of 1 to 25 days, mean 13; the first five points stand for two each
    delays = exchange_delays([ExchangeTaking(day=10, issued=tuple(10 + days for days in issued))], as_of=10 + 365)
    assert delays.days.tolist() == pytest.approx([1.5, 3.5, 5.5, 7.5, 9.5, *range(11, 26)])
    assert delays.shares.tolist() == pytest.approx([2 / 25] * 5 + [1 / 25] * 15)
    assert delays.mean == pytest.approx(13.0)
    assert (delays.kits, delays.exchanges, delays.note) == (25, 1, "")


def test_young_exchanges_would_show_short_delays_only_and_are_left_out() -> None:
    young = ExchangeTaking(day=700, issued=(705,))
    old = [ExchangeTaking(day=0, issued=(200,)), ExchangeTaking(day=5, issued=()), ExchangeTaking(day=9, issued=(399,))]
    delays = exchange_delays([young, *old], as_of=1064)
    assert (delays.days.tolist(), delays.kits, delays.exchanges) == ([200.0], 1, 3)


def test_where_the_record_tells_nothing_the_kit_is_taken_on_the_day_and_that_is_said() -> None:
    delays = exchange_delays([], as_of=1000)
    assert (delays.mean, delays.kits) == (0.0, 0)
    assert delays.note.endswith("taken on the day of the exchange")
    means = expected_once(windows_known(WINDOWS))
    for window, taken in means_when_taken(means, WINDOWS, delays=delays, share=0.7).items():
        np.testing.assert_allclose(taken.kits, means[window], rtol=1e-12)


def test_shares_lean_on_the_plant_where_little_was_seen() -> None:
    def valve(tag: str, actions: list[Action]) -> History:
        events = tuple(Event(ref="", action=action, done=day) for day, action in enumerate(actions, start=1))
        return History(valve=tag, service_class="air", items=("seat",), records_begin=0, installed=0, events=events)

    seen = [Action.EXCHANGE, Action.INSPECT, Action.REBUILD, Action.REBUILD, Action.EXCHANGE]
    histories = [valve("A", seen), valve("B", []), valve("C", [Action.REBUILD] * 4)]
    shares = exchange_shares(histories, designs={"A": "X", "B": "Y", "C": "X"}, as_of=4)
    # by day 4: one exchange among 7 renewals, all of design X
    assert shares.plant == pytest.approx(1 / 7)
    assert shares.by_sample == pytest.approx({("air", "X"): (1 + 1 / 7) / 8, ("air", "Y"): 1 / 7})


@pytest.mark.parametrize("window", WINDOWS)
def test_a_valve_renewed_once_takes_its_kit_as_the_closed_form_says(window: Window) -> None:
    start, end = window
    means = expected_once(windows_known([*WEEKS, *WINDOWS]))
    taken = means_when_taken(means, [window], delays=TWO, share=0.4)[window]
    at_once = failed_by(end) - failed_by(start)
    later = sum(
        share * (failed_by(end - days) - failed_by(start - days))
        for days, share in zip(TWO.days, TWO.shares, strict=True)
    )
    # between two weeks the chance to have failed isn't straight: (7 / 400)^2 / 8
    assert taken.kits[0] == pytest.approx(0.6 * at_once + 0.4 * later, abs=4e-5)
    inside = sum(
        share * max(failed_by(end - days) - failed_by(start), 0.0)
        for days, share in zip(TWO.days, TWO.shares, strict=True)
    )
    assert taken.stayed[0] == pytest.approx(0.6 * at_once + 0.4 * inside, abs=4e-5)


def test_renewals_without_end_agree_with_simulation() -> None:
    """Poisson renewals, a share of them by exchange: mean, variance and chance of none."""
    rng, runs, share, window = np.random.default_rng(4), 200_000, 0.4, (50.0, 200.0)
    means = {(start, end): np.array([(end - start) / MEAN_LIFE]) for start, end in windows_known([window])}
    moved = means_when_taken(means, [window], delays=TWO, share=share)[window]
    n = np.arange(12)
    rate = means[window]
    counts = (np.exp(-rate) * rate**n / np.cumprod(np.maximum(n, 1)).astype(float))[None, :]
    taken = counts_when_taken(counts, kept=moved.stayed / rate, came=moved.came)[0]
    renewals = rng.poisson(200.0 / MEAN_LIFE, runs)
    valve = np.repeat(np.arange(runs), renewals)
    day = rng.uniform(0.0, 200.0, len(valve))
    day = day + (rng.random(len(valve)) < share) * rng.choice(TWO.days, len(valve), p=TWO.shares)
    simulated = np.bincount(valve[(day > window[0]) & (day <= window[1])], minlength=runs)
    error, n = simulated.std() / np.sqrt(runs), np.arange(len(taken))
    assert taken @ n == pytest.approx(moved.kits[0], rel=1e-9)
    assert taken @ n == pytest.approx(simulated.mean(), abs=4 * error)
    # one renewal at most comes from before: its variance is that much smaller
    assert taken @ n**2 - (taken @ n) ** 2 + moved.came[0] ** 2 == pytest.approx(simulated.var(), abs=8 * error)
    assert taken[0] == pytest.approx((simulated == 0).mean(), abs=4 * error + moved.came[0] ** 2)


def test_more_than_one_can_come_from_before_a_window() -> None:
    taken = counts_when_taken(np.array([[1.0]]), kept=np.ones(1), came=np.array([1.5]))
    assert taken[0].tolist() == pytest.approx([0.0625, 0.375, 0.5625])  # two of them, each with 3 / 4


def test_expected_kits_are_known_every_month_even_where_nobody_asked() -> None:
    known = windows_known([(0.0, 7.0), (90.0, 150.0)])
    reached = sorted({end for start, end in known if start == 0.0} | {150.0})
    assert {(0.0, 7.0), (90.0, 150.0)} < set(known)
    assert 90.0 in reached
    assert max(np.diff(reached)) <= 31.0


def test_kits_move_but_none_is_lost() -> None:
    """Until long after the last delay, what was renewed before now is all that is missing."""
    far = (0.0, 1e4)
    taken = means_when_taken(expected_once(windows_known([far])), [far], delays=TWO, share=1.0)[far]
    assert taken.kits[0] == pytest.approx(1.0, abs=1e-9)
    waiting = np.array([0.0, 29.0, 50.0, 100.0])
    assert outstanding(waiting, far, delays=TWO).tolist() == [1.0, 1.0, 1.0, 0.0]
    assert outstanding(waiting, (0.0, 60.0), delays=TWO).tolist() == [0.25, 0.25, 1.0, 0.0]


def test_a_share_is_a_share() -> None:
    with pytest.raises(InvalidInput, match="`share` is between 0 and 1, got 1.5"):
        means_when_taken({(0.0, 1.0): np.ones(1)}, [(0.0, 1.0)], delays=TWO, share=1.5)
