"""Which issues from the shelf belong to which events of a valve: both in, pairs of them out."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from heapq import heappop, heappush

from forecasting.arrays import check

__all__ = ["Issue", "Match", "Need", "match_issues", "net_issues"]


@dataclass(frozen=True, kw_only=True)
class Issue:
    """Kits of one sort that left a shelf.

    Parameters
    ----------
    day : int [day number]
        When.
    qty : int [kits]
        Negative for a return.
    """

    day: int
    qty: int


@dataclass(frozen=True, kw_only=True)
class Need:
    """Kits of one sort that an event used, and when they can have left the shelf for it.

    Parameters
    ----------
    first, last : int [day number]
        Both inclusive.
    qty : int [kits]
        At least 1.
    """

    first: int
    last: int
    qty: int

    def __post_init__(self) -> None:
        """Refuse a window that ends before it begins, and a need of nothing."""
        check(self.first <= self.last, f"a need ends before it begins: {self.first} to {self.last}")
        check(self.qty > 0, f"`qty` of a need is at least 1, got {self.qty}")


@dataclass(frozen=True, kw_only=True)
class Match:
    """Kits that were issued for an event.

    Parameters
    ----------
    need : int [index]
        Which of the needs.
    day : int [day number]
        When they were issued.
    qty : int [kits]
        How many.
    """

    need: int
    day: int
    qty: int


def net_issues(issues: Iterable[Issue]) -> tuple[Issue, ...]:
    """Take what came back off what had gone out last.

    Parameters
    ----------
    issues : iterable of Issue [kits]
        Of one kit, to one destination, in any order; on one day what went out comes first.

    Returns
    -------
    tuple of Issue [kits]
        In order of their days; a return of what never went out stays, negative, on its own day.

    References
    ----------
    DEVELOPERS.md, "How much is explained".

    Examples
    --------
    >>> net_issues([Issue(day=1, qty=2), Issue(day=5, qty=1), Issue(day=9, qty=-2)])
    (Issue(day=1, qty=1),)
    """
    out: list[Issue] = []
    unmatched: list[Issue] = []
    for issue in sorted(issues, key=lambda one: (one.day, -one.qty)):
        back = -issue.qty
        if back < 0:
            out.append(issue)
        while back > 0 and out:
            last = out.pop()
            taken = min(back, last.qty)
            back -= taken
            if last.qty > taken:
                out.append(replace(last, qty=last.qty - taken))
        if back > 0:
            unmatched.append(replace(issue, qty=-back))
    return tuple(sorted(out + unmatched, key=lambda one: one.day))


def match_issues(needs: Sequence[Need], issues: Iterable[Issue]) -> tuple[Match, ...]:
    """Pair issues with the events they were made for, as many as any pairing can.

    Each kit goes to the open need that closes first; with windows on a line no other rule pairs more.

    Parameters
    ----------
    needs : sequence of Need [kits]
        Of one kit on one valve.
    issues : iterable of Issue [kits]
        Of that kit to that valve, netted; what is negative is passed over.

    Returns
    -------
    tuple of Match [kits]
        In order of their days.

    References
    ----------
    Glover (1967), Maximum matching in a convex bipartite graph, Naval Research Logistics 14, 313-316 (from memory).

    Examples
    --------
    >>> needs = [Need(first=0, last=100, qty=1), Need(first=0, last=10, qty=1)]
    >>> [(match.need, match.day) for match in match_issues(needs, [Issue(day=5, qty=2)])]
    [(1, 5), (0, 5)]
    """
    waiting = sorted(range(len(needs)), key=lambda index: needs[index].first, reverse=True)
    left = [need.qty for need in needs]
    opened: list[tuple[int, int]] = []
    matches = []
    for issue in sorted(issues, key=lambda one: one.day):
        while waiting and needs[waiting[-1]].first <= issue.day:
            index = waiting.pop()
            heappush(opened, (needs[index].last, index))
        free = issue.qty
        while free > 0 and opened:
            last, index = opened[0]
            taken = min(free, left[index]) if last >= issue.day else 0
            left[index] -= taken
            free -= taken
            if taken:
                matches.append(Match(need=index, day=issue.day, qty=taken))
            if last < issue.day or not left[index]:
                heappop(opened)
    return tuple(matches)
