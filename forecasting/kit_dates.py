"""Kits dated where they are used: kits by the days of renewals in, by the days on which they leave the shelf out."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from forecasting.arrays import FloatArray
from forecasting.consumption import Expectations, Group, TakeUp, Window
from forecasting.exchanges import (
    Delays,
    ExchangeTaking,
    Moved,
    Shares,
    counts_when_taken,
    exchange_delays,
    exchange_shares,
    means_when_taken,
    outstanding,
    windows_known,
)
from forecasting.histories import History

__all__ = [
    "KitDates",
    "expected_when_used",
    "kit_dates",
    "kits_moved",
    "kits_when_used",
    "windows_to_count",
    "with_outstanding",
]

LEAST_SHARE = 0.02
"""Where fewer renewals than this are exchanges, kits are dated on the day of the renewal; our convention."""


@dataclass(frozen=True, kw_only=True)
class KitDates:
    """What tells on which day kits leave the shelf.

    Parameters
    ----------
    delays : Delays [days]
        Between an exchange and its kits.
    shares : Shares [1]
        How often a renewal is done by exchange.
    waiting : mapping from tag to kit to float array, shape (exchanges,) [days]
        Since each exchange that has no kit of its own yet, by the kits it will take.
    """

    delays: Delays
    shares: Shares
    waiting: Mapping[str, Mapping[str, FloatArray]]

    def share(self, group: Group) -> float:
        """Share of a group's renewals done by exchange; 0 where it is too small to matter."""
        share = self.shares.by_sample.get((group.service_class, group.design), self.shares.plant)
        return share if share >= LEAST_SHARE else 0.0

    def move(self, group: Group) -> bool:
        """Whether any kits of a group are taken later than on the day of the renewal."""
        return self.share(group) > 0.0 and self.delays.mean > 0.0


def kit_dates(
    histories: Sequence[History],
    exchanges: Mapping[str, Sequence[ExchangeTaking]],
    *,
    designs: Mapping[str, str],
    as_of: int,
) -> KitDates:
    """Estimate from the record on which day kits leave the shelf.

    Parameters
    ----------
    histories : sequence of History [day numbers]
        What happened to each valve.
    exchanges : mapping from tag to sequence of ExchangeTaking [day numbers]
        Exchanges of each valve and the kits issued for them.
    designs : mapping from tag to design [codes]
        Of each valve.
    as_of : int [day number]
        Data cut-off; later exchanges aren't used.

    Returns
    -------
    KitDates [days]
        For `kits_when_used`.

    References
    ----------
    DEVELOPERS.md, "Exchanged valves".

    Examples
    --------
    >>> seen = {"V": [ExchangeTaking(day=0, issued=(40,)), ExchangeTaking(day=790, issued=(), kits=("K",))]}
    >>> dates = kit_dates([], seen, designs={}, as_of=800)
    >>> dates.delays.mean, dates.waiting["V"]["K"].tolist()
    (40.0, [10.0])
    """
    done = {tag: [one for one in seen if one.day <= as_of] for tag, seen in sorted(exchanges.items())}
    waiting: dict[str, dict[str, FloatArray]] = {}
    for tag, seen in done.items():
        open_ones = [one for one in seen if not one.issued]
        waiting[tag] = {
            kit: np.array([as_of - one.day for one in open_ones if kit in one.kits], dtype=np.float64)
            for kit in sorted({kit for one in open_ones for kit in one.kits})
        }
    return KitDates(
        delays=exchange_delays([one for seen in done.values() for one in seen], as_of=as_of),
        shares=exchange_shares(histories, designs=designs, as_of=as_of),
        waiting=waiting,
    )


def windows_to_count(group: Group, windows: Sequence[Window], *, dates: KitDates) -> list[Window]:
    """Windows in which a group's renewals must be counted before `kits_when_used`.

    Parameters
    ----------
    group : Group [days]
        Like valves.
    windows : sequence of (start, end] [days from now]
        For which the kits used are wanted.
    dates : KitDates [days]
        When kits leave the shelf.

    Returns
    -------
    list of (start, end] [days from now]
        The same ones where the group's renewals aren't done by exchange.

    References
    ----------
    DEVELOPERS.md, "Exchanged valves".

    Examples
    --------
    >>> seen = {"V": [ExchangeTaking(day=0, issued=(40,))]}
    >>> dates = kit_dates([], seen, designs={}, as_of=800)
    >>> windows_to_count(Group(plans=(), valves=(), ages=()), [(50.0, 90.0)], dates=dates)
    [(50.0, 90.0)]
    """
    return windows_known(windows) if dates.move(group) else list(windows)


def kits_when_used(
    one: TakeUp, group: Group, windows: Sequence[Window], *, running: Sequence[Window], dates: KitDates
) -> TakeUp:
    """Date the kits of exchanged valves on the day the removed valve is rebuilt.

    The kits of renewals to come move (`means_when_taken`, `counts_when_taken`), those that exchanges already done still
    owe are added as one Bernoulli variable each (`outstanding`). They count as unplanned: no policy of the forecast
    plans them.

    Parameters
    ----------
    one : TakeUp [kits]
        By the days of renewals, in `windows_to_count` of the windows of both kinds.
    group : Group [days]
        Its valves.
    windows : sequence of (start, end] [days from now]
        For which the kits used are wanted.
    running : sequence of (start, end] [days from now]
        For which they are wanted without those of turnarounds, too.
    dates : KitDates [days]
        When kits leave the shelf.

    Returns
    -------
    TakeUp [kits]
        By the days on which kits are used, at whatever lifetimes it was computed with.

    References
    ----------
    DEVELOPERS.md, "Exchanged valves".

    Examples
    --------
    >>> month, none = (0.0, 30.0), np.zeros(1)
    >>> taken = TakeUp(
    ...     kit="K", qty=2, items=("seat",), valves=("V",), probabilities={month: np.array([[0.5, 0.5]])}, running={},
    ...     unplanned={month: none + 1.0}, planned={month: none}, turnaround={month: none}, note="",
    ... )
    >>> seen = {"V": [ExchangeTaking(day=0, issued=(40,)), ExchangeTaking(day=790, issued=(), kits=("K",))]}
    >>> dates = kit_dates([], seen, designs={}, as_of=800)
    >>> used = kits_when_used(taken, Group(plans=(), valves=("V",), ages=()), [month], running=[], dates=dates)
    >>> used.probabilities[month].tolist(), used.unplanned[month].tolist()
    ([[0.0, 0.5, 0.5]], [3.0])
    """
    return with_outstanding(kits_moved(one, group, windows, running=running, dates=dates), dates)


def kits_moved(
    one: TakeUp, group: Group, windows: Sequence[Window], *, running: Sequence[Window], dates: KitDates
) -> TakeUp:
    """Date the kits of renewals to come, as `kits_when_used`, without what exchanges already done still owe.

    Parameters
    ----------
    one : TakeUp [kits]
        See `kits_when_used`.
    group : Group [days]
        Its valves.
    windows : sequence of (start, end] [days from now]
        For which the kits used are wanted.
    running : sequence of (start, end] [days from now]
        For which they are wanted without those of turnarounds, too.
    dates : KitDates [days]
        When kits leave the shelf.

    Returns
    -------
    TakeUp [kits]
        See there.

    References
    ----------
    DEVELOPERS.md, "Exchanged valves".

    Examples
    --------
    >>> month = (0.0, 30.0)
    >>> taken = TakeUp(
    ...     kit="K", qty=2, items=("seat",), valves=("V",), probabilities={month: np.array([[0.5, 0.5]])}, running={},
    ...     unplanned={}, planned={}, turnaround={}, note="",
    ... )
    >>> dates = kit_dates([], {}, designs={}, as_of=800)
    >>> kits_moved(taken, Group(plans=(), valves=("V",), ages=()), [month], running=[], dates=dates) == taken
    True
    """
    share = dates.share(group)
    moved = _moved(one, sorted({*windows, *running}), running, dates.delays, share) if dates.move(group) else one
    said = dates.delays.note if share > 0.0 else ""
    return replace(moved, note="; ".join(filter(None, [one.note, said])))


def expected_when_used(one: Expectations, group: Group, windows: Sequence[Window], *, dates: KitDates) -> Expectations:
    """Date expected kits of renewals to come on the days on which they leave the shelf.

    Parameters
    ----------
    one : Expectations [kits]
        By the days of renewals, in `windows_to_count`.
    group : Group [days]
        Its valves.
    windows : sequence of (start, end] [days from now]
        For which the kits used are wanted.
    dates : KitDates [days]
        When kits leave the shelf.

    Returns
    -------
    Expectations [kits]
        Without what exchanges already done still owe.

    References
    ----------
    DEVELOPERS.md, "Exchanged valves".

    Examples
    --------
    >>> dates, month = kit_dates([], {}, designs={}, as_of=800), (0.0, 30.0)
    >>> expected = {month: np.ones(1)}
    >>> one = Expectations(unplanned=expected, planned=expected, turnaround=expected)
    >>> expected_when_used(one, Group(plans=(), valves=("V",), ages=()), [month], dates=dates) is one
    True
    """
    if not dates.move(group):
        return one
    kinds = (
        means_when_taken(kind, windows, delays=dates.delays, share=dates.share(group))
        for kind in (one.unplanned, one.planned, one.turnaround)
    )
    unplanned, planned, turnaround = ({window: moved.kits for window, moved in kind.items()} for kind in kinds)
    return Expectations(unplanned=unplanned, planned=planned, turnaround=turnaround)


def _moved(one: TakeUp, every: Sequence[Window], running: Sequence[Window], delays: Delays, share: float) -> TakeUp:
    """Move the kits of renewals to come."""
    unplanned, planned, turnaround = (
        means_when_taken(kind, every, delays=delays, share=share)
        for kind in (one.unplanned, one.planned, one.turnaround)
    )
    return replace(
        one,
        probabilities=_counts(
            one,
            one.probabilities,
            [window for window in every if window in one.probabilities],
            [unplanned, planned, turnaround],
        ),
        running=_counts(
            one, one.running, [window for window in running if window in one.running], [unplanned, planned]
        ),
        unplanned={window: moved.kits for window, moved in unplanned.items()},
        planned={window: moved.kits for window, moved in planned.items()},
        turnaround={window: moved.kits for window, moved in turnaround.items()},
    )


def _counts(
    one: TakeUp,
    counts: Mapping[Window, FloatArray],
    windows: Sequence[Window],
    kinds: Sequence[Mapping[Window, Moved]],
) -> dict[Window, FloatArray]:
    """Move what is counted, all windows at once."""
    if not windows:
        return {}
    most = max(counts[window].shape[1] for window in windows)
    rows = np.concatenate([np.pad(counts[window], ((0, 0), (0, most - counts[window].shape[1]))) for window in windows])
    stayed = np.concatenate([sum(kind[window].stayed for kind in kinds) / one.qty for window in windows])
    came = np.concatenate([sum(kind[window].came for kind in kinds) / one.qty for window in windows])
    expected = rows @ np.arange(most)
    kept = np.divide(stayed, expected, out=np.ones_like(stayed), where=expected > 0.0)
    taken = counts_when_taken(rows, kept=np.clip(kept, 0.0, 1.0), came=came)
    return dict(zip(windows, np.split(taken, len(windows)), strict=True))


def with_outstanding(one: TakeUp, dates: KitDates) -> TakeUp:
    """Add what exchanges already done still owe.

    Parameters
    ----------
    one : TakeUp [kits]
        By the days on which kits are used; a valve may have several rows.
    dates : KitDates [days]
        When kits leave the shelf.

    Returns
    -------
    TakeUp [kits]
        One Bernoulli variable more for each exchange, in every row of its valve.

    References
    ----------
    DEVELOPERS.md, "Exchanged valves".

    Examples
    --------
    >>> month, none = (0.0, 30.0), np.zeros(1)
    >>> taken = TakeUp(
    ...     kit="K", qty=2, items=("seat",), valves=("V",), probabilities={month: np.array([[0.5, 0.5]])}, running={},
    ...     unplanned={month: none + 1.0}, planned={month: none}, turnaround={month: none}, note="",
    ... )
    >>> seen = {"V": [ExchangeTaking(day=0, issued=(40,)), ExchangeTaking(day=790, issued=(), kits=("K",))]}
    >>> with_outstanding(taken, kit_dates([], seen, designs={}, as_of=800)).unplanned[month].tolist()
    [3.0]
    """
    owed = {row: dates.waiting.get(tag, {}).get(one.kit) for row, tag in enumerate(one.valves)}
    rows = {row: waited for row, waited in owed.items() if waited is not None}
    if not rows:
        return one

    def chances(window: Window) -> dict[int, FloatArray]:
        return {row: outstanding(waited, window, delays=dates.delays) for row, waited in rows.items()}

    added = {window: chances(window) for window in one.unplanned}
    kits = {window: np.zeros(len(one.valves)) for window in added}
    for window, by_row in added.items():
        for row, chance in by_row.items():
            kits[window][row] = one.qty * chance.sum()
    return replace(
        one,
        probabilities={window: _plus(counts, added[window]) for window, counts in one.probabilities.items()},
        running={window: _plus(counts, added[window]) for window, counts in one.running.items()},
        unplanned={window: expected + kits[window] for window, expected in one.unplanned.items()},
    )


def _plus(counts: FloatArray, chances: Mapping[int, FloatArray]) -> FloatArray:
    """Add independent Bernoulli variables to the counts of some rows; shape (valves, n) becomes (valves, n + most)."""
    most = max(int(np.count_nonzero(chance)) for chance in chances.values())
    summed = np.pad(counts, ((0, 0), (0, most)))
    for row, chance in chances.items():
        for probability in chance[chance > 0.0]:
            summed[row] = (1.0 - probability) * summed[row] + probability * np.append(0.0, summed[row, :-1])
    return summed
