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
    windows_when_taken,
)
from forecasting.histories import Action, Event, History

TWO = Delays(days=np.array([30.0, 100.0]), shares=np.array([0.25, 0.75]), kits=4, exchanges=4, note="")
WINDOWS = [(0.0, 50.0), (50.0, 120.0), (120.0, 365.0), (0.0, 365.0)]
MEAN_LIFE = 400.0


def failed_by(day: float) -> float:
    return 1.0 - exp(-max(day, 0.0) / MEAN_LIFE)


def once(windows: list[tuple[float, float]]) -> dict[tuple[float, float], FloatArray]:
    """Counts of a valve that fails once and is not watched after."""
    chances = {(start, end): failed_by(end) - failed_by(start) for start, end in windows}
    return {window: np.array([[1.0 - chance, chance]]) for window, chance in chances.items()}


def test_delays_are_those_of_the_record_reduced_without_changing_their_mean() -> None:
    issued = (3, 5, 9, 14, 20, 33, 40, 61, 75)  # mean 260 / 9
    delays = exchange_delays([ExchangeTaking(day=10, issued=tuple(10 + days for days in issued))], as_of=10 + 365)
    assert delays.days.tolist() == pytest.approx([17 / 3, 17.0, 36.5, 68.0])
    assert delays.shares.tolist() == pytest.approx([3 / 9, 2 / 9, 2 / 9, 2 / 9])
    assert delays.mean == pytest.approx(260 / 9)
    assert (delays.kits, delays.exchanges, delays.note) == (9, 1, "")


def test_young_exchanges_would_show_short_delays_only_and_are_left_out() -> None:
    young = ExchangeTaking(day=700, issued=(705,))
    old = [ExchangeTaking(day=0, issued=(200,)), ExchangeTaking(day=5, issued=()), ExchangeTaking(day=9, issued=(399,))]
    delays = exchange_delays([young, *old], as_of=1064)
    assert (delays.days.tolist(), delays.kits, delays.exchanges) == ([200.0], 1, 3)


def test_where_the_record_tells_nothing_the_kit_is_taken_on_the_day_and_that_is_said() -> None:
    delays = exchange_delays([], as_of=1000)
    assert (delays.mean, delays.kits) == (0.0, 0)
    assert delays.note.endswith("taken on the day of the exchange")
    counts = once(WINDOWS)
    for window in WINDOWS:
        np.testing.assert_allclose(counts_when_taken(counts, window, delays=delays, share=0.7), counts[window])


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
def test_a_valve_renewed_once_takes_its_kit_as_the_closed_form_says(window: tuple[float, float]) -> None:
    start, end = window
    taken = counts_when_taken(once(windows_when_taken(WINDOWS, TWO)), window, delays=TWO, share=0.4)
    at_once = failed_by(end) - failed_by(start)
    later = sum(
        share * (failed_by(end - days) - failed_by(start - days))
        for days, share in zip(TWO.days, TWO.shares, strict=True)
    )
    assert taken[0, 1] == pytest.approx(0.6 * at_once + 0.4 * later, rel=1e-12)
    assert taken.sum() == pytest.approx(1.0)


def test_renewals_without_end_agree_with_simulation() -> None:
    """Poisson renewals: the mean is exact, the distribution no narrower than the simulated one and close to it."""
    rng, runs, share, window = np.random.default_rng(4), 200_000, 0.4, (50.0, 200.0)
    needed = windows_when_taken([window], TWO)
    numbers = np.arange(12)
    factorial = np.cumprod(np.maximum(numbers, 1)).astype(float)
    rates = {(start, end): (end - start) / MEAN_LIFE for start, end in needed}
    counts = {at: (np.exp(-rate) * rate**numbers / factorial)[None, :] for at, rate in rates.items()}
    taken = counts_when_taken(counts, window, delays=TWO, share=share)[0]
    renewals = rng.poisson(200.0 / MEAN_LIFE, runs)
    valve = np.repeat(np.arange(runs), renewals)
    day = rng.uniform(0.0, 200.0, len(valve))
    day = day + (rng.random(len(valve)) < share) * rng.choice(TWO.days, len(valve), p=TWO.shares)
    simulated = np.bincount(valve[(day > window[0]) & (day <= window[1])], minlength=runs)
    error = simulated.std() / np.sqrt(runs)
    assert taken @ numbers == pytest.approx(simulated.mean(), abs=4 * error)
    assert simulated.var() - 4 * error < taken @ numbers**2 - (taken @ numbers) ** 2 < 1.05 * simulated.var()
    means = means_when_taken({at: np.array([rate]) for at, rate in rates.items()}, window, delays=TWO, share=share)
    assert means[0] == pytest.approx(taken @ numbers, rel=1e-9)


def test_kits_move_but_none_is_lost() -> None:
    """Until long after the last delay, what was renewed before now is all that is missing."""
    far = (0.0, 1e5)
    taken = counts_when_taken(once(windows_when_taken([far], TWO)), far, delays=TWO, share=1.0)
    assert taken[0, 1] == pytest.approx(1.0, abs=1e-12)
    waiting = np.array([0.0, 29.0, 50.0, 100.0])
    assert outstanding(waiting, far, delays=TWO).tolist() == [1.0, 1.0, 1.0, 0.0]
    assert outstanding(waiting, (0.0, 60.0), delays=TWO).tolist() == [0.25, 0.25, 1.0, 0.0]


def test_a_share_is_a_share() -> None:
    with pytest.raises(InvalidInput, match="`share` is between 0 and 1, got 1.5"):
        means_when_taken({(0.0, 1.0): np.ones(1)}, (0.0, 1.0), delays=TWO, share=1.5)
