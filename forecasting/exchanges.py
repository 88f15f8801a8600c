"""Kits of exchanged valves are used when the removed valve is rebuilt: exchanges in, later demand out."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from forecasting.arrays import FloatArray, check
from forecasting.histories import Action, History

__all__ = [
    "Delays",
    "ExchangeTaking",
    "Moved",
    "Shares",
    "counts_when_taken",
    "exchange_delays",
    "exchange_shares",
    "means_when_taken",
    "outstanding",
    "windows_known",
]

Window = tuple[float, float]

LONGEST_DELAY = 365
"""Kits issued later than this many days after an exchange aren't taken for its own; our convention."""
POINTS = 20
"""To how many points of equal share an empirical distribution of delays is reduced; its mean is kept."""
MONTH = 31.0
"""Expected kits are known at least so often, in days, between which they are interpolated."""


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


@dataclass(frozen=True, kw_only=True)
class Moved:
    """What is expected in a window of kits dated where they are taken.

    Parameters
    ----------
    stayed, came : float array, shape (valves,) [kits]
        Of renewals in the window, and of those before it.
    """

    stayed: FloatArray
    came: FloatArray

    @property
    def kits(self) -> FloatArray:
        """All of them."""
        return self.stayed + self.came


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


def windows_known(windows: Sequence[Window]) -> list[Window]:
    """Complete windows so that expected kits are known from now on up to every edge, and every month in between.

    Parameters
    ----------
    windows : sequence of (start, end] [days from now]
        For which the kits taken are wanted.

    Returns
    -------
    list of (start, end] [days from now]
        Sorted; those added begin now.

    References
    ----------
    DEVELOPERS.md, "Exchanged valves".

    Examples
    --------
    >>> windows_known([(0.0, 20.0), (20.0, 50.0), (60.0, 70.0)])
    [(0.0, 20.0), (0.0, 60.0), (20.0, 50.0), (60.0, 70.0)]
    """
    edges = {edge for window in windows for edge in window}
    reached = set(_totals(dict.fromkeys(windows, np.zeros(0))))
    known = sorted(edges | {0.0})
    between = {
        float(day)
        for left, right in pairwise(known)
        for day in np.linspace(left, right, int(np.ceil((right - left) / MONTH)), endpoint=False)
    }
    return sorted({*windows, *((0.0, day) for day in between - reached if day > 0.0)})


def means_when_taken(
    means: Mapping[Window, FloatArray], windows: Sequence[Window], *, delays: Delays, share: float
) -> dict[Window, Moved]:
    """Kits each valve is expected to take in each window, each dated where it is taken.

    Renewed in it: (1 - share) m(s, e] + share sum_d P(d) m(s, e - d]; before it: share sum_d P(d) m(s - d, s or e - d].
    Between the edges of windows that follow each other from now on, kits are taken as evenly spread.

    Parameters
    ----------
    means : mapping from window to float array, shape (valves,) [kits]
        By renewals in each of `windows_known`.
    windows : sequence of (start, end] [days from now]
        Which are wanted.
    delays : Delays [days]
        Between an exchange and its kit.
    share : float in [0, 1] [1]
        Of renewals done by exchange.

    Returns
    -------
    dict from window to Moved [kits]
        Without the kits of exchanges done before now: `outstanding`.

    References
    ----------
    DEVELOPERS.md, "Exchanged valves".

    Examples
    --------
    >>> delays = exchange_delays([ExchangeTaking(day=0, issued=(50,))], as_of=800)
    >>> known = {(0.0, 40.0): np.array([2.0]), (40.0, 70.0): np.array([1.5])}
    >>> moved = means_when_taken(known, list(known), delays=delays, share=0.25)
    >>> [(one.stayed.tolist(), one.came.round(9).tolist()) for one in moved.values()]
    [([1.5], [0.0]), ([1.125], [0.25])]
    """
    check(0.0 <= share <= 1.0, f"`share` is between 0 and 1, got {share}")
    totals = _totals(means)
    days, expected = np.array(list(totals)), np.array(list(totals.values()))  # (edges,), (edges, valves)
    start, end = (np.array([window[edge] for window in windows])[:, None] for edge in (0, 1))  # (windows, 1)

    def between(left: FloatArray, right: FloatArray) -> FloatArray:
        spans = _interpolated(days, expected, right) - _interpolated(days, expected, left)
        return np.asarray(share * np.einsum("wpv,p->wv", spans, delays.shares))

    stayed = between(start + 0.0 * delays.days, np.maximum(end - delays.days, start))
    came = between(start - delays.days, np.minimum(end - delays.days, start))
    return {
        window: Moved(stayed=np.asarray((1.0 - share) * means[window] + inside), came=before)
        for window, inside, before in zip(windows, stayed, came, strict=True)
    }


def counts_when_taken(counts: FloatArray, *, kept: FloatArray, came: FloatArray) -> FloatArray:
    """Distribution of the kits taken: each renewal of the window keeps its place by chance, others come from before.

    Exact for Poisson renewals but for came^2, and where only one of the two can be; else what comes is taken as
    independent of what is renewed in the window, which widens the distribution of items that wear.

    Parameters
    ----------
    counts : float array, shape (rows, n) [1]
        P(0), P(1), ... renewals in a window.
    kept : float array, shape (rows,) [1]
        Chance of each that its kit is taken in the window, too.
    came : float array, shape (rows,) [1]
        Expected number of those before the window whose kits are taken in it.

    Returns
    -------
    float array, shape (rows, n + most) [1]
        As many wider as can have come.

    References
    ----------
    Our own.

    Examples
    --------
    >>> counts_when_taken(np.array([[0.0, 1.0]]), kept=np.array([0.75]), came=np.array([0.5])).tolist()
    [[0.125, 0.5, 0.375]]
    """
    most = int(np.ceil(came.max(initial=0.0)))
    taken = np.zeros((len(counts), counts.shape[1] + most))
    for chances in counts.T[::-1]:
        taken = _one_more(taken, kept)
        taken[:, 0] += chances
    for _ in range(most):
        taken = _one_more(taken, came / most)
    return taken


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


def _totals(means: Mapping[Window, FloatArray]) -> dict[float, FloatArray]:
    """Add up what is expected from now on, up to every edge that windows following each other reach."""
    totals = {0.0: 0.0 * next(iter(means.values()))}
    for start, end in sorted(means):
        if start in totals and end not in totals:
            totals[end] = totals[start] + means[start, end]
    return dict(sorted(totals.items()))


def _interpolated(days: FloatArray, expected: FloatArray, at: FloatArray) -> FloatArray:
    """Interpolate rows of `expected` between days, shape (*at, valves)."""
    after = np.clip(np.searchsorted(days, at), 1, len(days) - 1)
    weight = np.clip((at - days[after - 1]) / (days[after] - days[after - 1]), 0.0, 1.0)[..., None]
    return np.asarray((1.0 - weight) * expected[after - 1] + weight * expected[after])


def _one_more(counts: FloatArray, chance: FloatArray) -> FloatArray:
    """Add a Bernoulli variable to each row, which has room for it."""
    more = np.pad(counts[:, :-1], ((0, 0), (1, 0)))
    return np.asarray((1.0 - chance)[:, None] * counts + chance[:, None] * more)
