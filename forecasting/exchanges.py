"""Kits of exchanged valves are used when the removed valve is rebuilt: exchanges in, later demand out."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from forecasting.arrays import FloatArray, check
from forecasting.histories import Action, History

__all__ = [
    "Delays",
    "ExchangeTaking",
    "Shares",
    "counts_when_taken",
    "exchange_delays",
    "exchange_shares",
    "means_when_taken",
    "outstanding",
    "windows_when_taken",
]

Window = tuple[float, float]

LONGEST_DELAY = 365
"""Kits issued later than this many days after an exchange aren't taken for its own; our convention."""
POINTS = 4
"""To how many points of equal share an empirical distribution of delays is reduced; its mean is kept."""


@dataclass(frozen=True, kw_only=True)
class ExchangeTaking:
    """An exchange of the record, and when kits left the shelf for the rebuild of the removed valve.

    Parameters
    ----------
    day : int [day number]
        Of the exchange.
    issued : tuple of int [day numbers]
        One per kit that was issued for it; empty: none yet, or it was never recorded.
    kits : tuple of str [codes]
        Which kits the rebuild of the removed valve takes, as far as that is known.
    """

    day: int
    issued: tuple[int, ...]
    kits: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Delays:
    """How long after an exchange its kit is taken.

    Parameters
    ----------
    days, shares : float array, shape (points,) [days, 1]
        Each delay and how often it occurs; shares sum to 1.
    kits, exchanges : int [kits, exchanges]
        What it was estimated from; exchanges without an issue are among them.
    note : str [text]
        What had to be assumed; empty: nothing.
    """

    days: FloatArray
    shares: FloatArray
    kits: int
    exchanges: int
    note: str

    @property
    def mean(self) -> float:
        """Expected delay in days."""
        return float(self.days @ self.shares)


@dataclass(frozen=True, kw_only=True)
class Shares:
    """How often a renewal is done by exchange.

    Parameters
    ----------
    plant : float [1]
        Of all renewals of the record.
    by_sample : mapping from (service class, design) to float [1]
        One renewal at the plant's share is added to those seen.
    """

    plant: float
    by_sample: Mapping[tuple[str, str], float]


def exchange_delays(exchanges: Sequence[ExchangeTaking], *, as_of: int) -> Delays:
    """Estimate how long after an exchange the kit for the removed valve leaves the shelf.

    Only exchanges at least `LONGEST_DELAY` days old count: of younger ones only short delays can have been seen.

    Parameters
    ----------
    exchanges : sequence of ExchangeTaking [day numbers]
        Of the whole plant.
    as_of : int [day number]
        Data cut-off.

    Returns
    -------
    Delays [days]
        Empirical, reduced to `POINTS` points; 0 days, and said, where the record tells nothing.

    References
    ----------
    DEVELOPERS.md, "Exchanged valves".

    Examples
    --------
    >>> seen = [ExchangeTaking(day=0, issued=(20, 40)), ExchangeTaking(day=100, issued=()), ]
    >>> delays = exchange_delays(seen, as_of=800)
    >>> delays.days.tolist(), delays.shares.tolist(), delays.mean
    ([20.0, 40.0], [0.5, 0.5], 30.0)
    """
    old = [one for one in exchanges if one.day + LONGEST_DELAY <= as_of]
    seen = sorted(
        issued - one.day for one in old for issued in one.issued if one.day <= issued <= one.day + LONGEST_DELAY
    )
    if not seen:
        note = "no kit was issued for an exchange a year old or older: taken on the day of the exchange"
        return Delays(days=np.zeros(1), shares=np.ones(1), kits=0, exchanges=len(old), note=note)
    parts = [part for part in np.array_split(np.array(seen, dtype=np.float64), POINTS) if len(part)]
    return Delays(
        days=np.array([part.mean() for part in parts]),
        shares=np.array([len(part) / len(seen) for part in parts]),
        kits=len(seen),
        exchanges=len(old),
        note="",
    )


def exchange_shares(histories: Sequence[History], *, designs: Mapping[str, str], as_of: int) -> Shares:
    """Estimate how often a renewal is done by exchange.

    Parameters
    ----------
    histories : sequence of History [day numbers]
        What happened to each valve.
    designs : mapping from tag to design [codes]
        Of each valve.
    as_of : int [day number]
        Data cut-off.

    Returns
    -------
    Shares [1]
        By service class and design; the plant's own share where a class and design has no renewals.

    References
    ----------
    DEVELOPERS.md, "Exchanged valves".

    Examples
    --------
    >>> from forecasting.histories import Event
    >>> actions = (Action.REBUILD, Action.EXCHANGE, Action.REBUILD)
    >>> events = tuple(Event(ref="", action=action, done=day) for day, action in enumerate(actions, start=1))
    >>> valve = History(valve="V", service_class="air", items=("seat",), records_begin=0, installed=0, events=events)
    >>> exchange_shares([valve], designs={"V": "GLOBE"}, as_of=9).by_sample
    {('air', 'GLOBE'): 0.3333333333333333}
    """
    exchanged: Counter[tuple[str, str]] = Counter()
    renewed: Counter[tuple[str, str]] = Counter()
    for history in histories:
        sample = history.service_class, designs[history.valve]
        done = [event.action for event in history.events if event.done <= as_of]
        exchanged[sample] += done.count(Action.EXCHANGE)
        renewed[sample] += done.count(Action.EXCHANGE) + done.count(Action.REBUILD)
    plant = exchanged.total() / max(renewed.total(), 1)
    shares = {sample: (exchanged[sample] + plant) / (renewed[sample] + 1) for sample in sorted(renewed)}
    return Shares(plant=plant, by_sample=shares)


def windows_when_taken(windows: Sequence[Window], delays: Delays) -> list[Window]:
    """Windows in which renewals must be counted so that kits can be dated where they are taken.

    Parameters
    ----------
    windows : sequence of (start, end] [days from now]
        For which the kits taken are wanted.
    delays : Delays [days]
        Between an exchange and its kit.

    Returns
    -------
    list of (start, end] [days from now]
        The windows themselves and each moved back by each delay, as far as it lies ahead of now.

    References
    ----------
    DEVELOPERS.md, "Exchanged valves".

    Examples
    --------
    >>> delays = exchange_delays([ExchangeTaking(day=0, issued=(30,))], as_of=800)
    >>> windows_when_taken([(0.0, 20.0), (20.0, 50.0)], delays)
    [(0.0, 20.0), (20.0, 50.0)]
    """
    moved = {_moved(window, days) for window in windows for days in delays.days}
    return sorted({*windows, *(window for window in moved if window is not None)})


def counts_when_taken(
    counts: Mapping[Window, FloatArray], window: Window, *, delays: Delays, share: float
) -> FloatArray:
    """Distribution of the kits each valve takes in a window, of each kit dated where it is taken.

    P(n) = (1 - share) P(n in (s, e]) + share sum_d P(d) P(n in (s - d, e - d]).

    Exact for a valve that is renewed at most once until the window's end, and in the mean always; where it can be
    renewed more often, its renewals count as all exchanged or none, with one delay, which widens the distribution.

    Parameters
    ----------
    counts : mapping from window to float array, shape (valves, n) [1]
        P(0), P(1), ... renewals in each of `windows_when_taken`.
    window : (start, end] [days from now]
        Which.
    delays : Delays [days]
        Between an exchange and its kit.
    share : float in [0, 1] [1]
        Of renewals done by exchange.

    Returns
    -------
    float array, shape (valves, n) [1]
        Without the kits of exchanges done before now: `outstanding`.

    References
    ----------
    DEVELOPERS.md, "Exchanged valves".

    Examples
    --------
    >>> delays = exchange_delays([ExchangeTaking(day=0, issued=(50,))], as_of=800)
    >>> counts = {(0.0, 50.0): np.array([[0.5, 0.5]]), (50.0, 100.0): np.array([[0.8, 0.2]])}
    >>> counts_when_taken(counts, (50.0, 100.0), delays=delays, share=0.5).round(6).tolist()
    [[0.65, 0.35]]
    """
    valves, most = len(counts[window]), max(count.shape[1] for count in counts.values())
    none = np.zeros((valves, most))
    none[:, 0] = 1.0

    def widened(count: FloatArray) -> FloatArray:
        return np.pad(count, ((0, 0), (0, most - count.shape[1])))

    return _mixed({at: widened(count) for at, count in counts.items()}, none, window, delays=delays, share=share)


def means_when_taken(means: Mapping[Window, FloatArray], window: Window, *, delays: Delays, share: float) -> FloatArray:
    """Kits each valve is expected to take in a window, each dated where it is taken.

    Parameters
    ----------
    means : mapping from window to float array, shape (valves,) [kits]
        By renewals in each of `windows_when_taken`.
    window : (start, end] [days from now]
        Which.
    delays : Delays [days]
        Between an exchange and its kit.
    share : float in [0, 1] [1]
        Of renewals done by exchange.

    Returns
    -------
    float array, shape (valves,) [kits]
        Without the kits of exchanges done before now: `outstanding`.

    References
    ----------
    DEVELOPERS.md, "Exchanged valves".

    Examples
    --------
    >>> delays = exchange_delays([ExchangeTaking(day=0, issued=(50,))], as_of=800)
    >>> means_when_taken({(0.0, 40.0): np.array([2.0])}, (0.0, 40.0), delays=delays, share=0.25).tolist()
    [1.5]
    """
    return _mixed(means, np.zeros_like(means[window]), window, delays=delays, share=share)


def outstanding(waited: FloatArray, window: Window, *, delays: Delays) -> FloatArray:
    """Chance that the kit of an exchange already done is taken in a window, given that it hasn't been yet.

    Parameters
    ----------
    waited : float array, shape (exchanges,) [days]
        Since each exchange whose kit wasn't issued yet.
    window : (start, end] [days from now]
        Which.
    delays : Delays [days]
        Between an exchange and its kit.

    Returns
    -------
    float array, shape (exchanges,) [1]
        0 where no delay of the record was as long as it has waited already.

    References
    ----------
    DEVELOPERS.md, "Exchanged valves".

    Examples
    --------
    >>> delays = exchange_delays([ExchangeTaking(day=0, issued=(20, 40))], as_of=800)
    >>> outstanding(np.array([10.0, 30.0, 90.0]), (0.0, 15.0), delays=delays).tolist()
    [0.5, 1.0, 0.0]
    """
    start, end = window
    due = delays.days - waited[:, None]  # (exchanges, points)
    left = (due > 0.0) @ delays.shares
    within = ((due > start) & (due <= end)) @ delays.shares
    return np.divide(within, left, out=np.zeros_like(within), where=left > 0.0)


def _moved(window: Window, days: float) -> Window | None:
    """Move a window back, as far as it lies ahead of now; None: it doesn't."""
    start, end = window
    return (max(start - days, 0.0), end - days) if end - days > 0.0 else None


def _mixed(
    values: Mapping[Window, FloatArray], none: FloatArray, window: Window, *, delays: Delays, share: float
) -> FloatArray:
    """Weigh what is renewed in a window and what is exchanged a delay before it."""
    check(0.0 <= share <= 1.0, f"`share` is between 0 and 1, got {share}")
    mixed = (1.0 - share) * values[window]
    for days, chance in zip(delays.days, delays.shares, strict=True):
        moved = _moved(window, float(days))
        mixed = mixed + share * chance * (none if moved is None else values[moved])
    return mixed
