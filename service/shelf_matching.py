"""Issues from the shelf beside what events used: rows of the record in, how much of the issues they explain out."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from forecasting.issue_matching import Issue, Need, match_issues, net_issues
from models.partial_days import first_day, last_day
from models.queries.issues_explained import DesignNeed, EventScope, IssueLine, KitCode

NEAR_DAYS = 90
EXCHANGE_DAYS = 365
EXCHANGE = "exchange"


@dataclass(frozen=True, kw_only=True)
class Taking:
    """Kits that an event used; `done_on` is known to the day, the month or the year."""

    event: int
    valve: int
    action: str
    done_on: str
    kit: int
    qty: int

    @property
    def year(self) -> int:
        """The calendar year it was done in."""
        return int(self.done_on[:4])


@dataclass(frozen=True, kw_only=True)
class Taken:
    """Kits that left the shelf for an event."""

    taking: Taking
    on: date
    qty: int


@dataclass(kw_only=True)
class Tally:
    """Kits of one sort in a year: lines of issues, kits issued (returns netted), used by events, issued for events."""

    lines: int = 0
    issued: int = 0
    used: int = 0
    explained: int = 0


def kits_used(event: EventScope, needs: Sequence[DesignNeed]) -> dict[int, int]:
    """Say which kits an event used: those it names, else what the design's items that it renewed take.

    Parameters
    ----------
    event : EventScope
        An exchange, or a rebuild that doesn't say what it renewed, renews every item.
    needs : sequence of DesignNeed
        Of the valve's design; a kit that renews more covers the smaller one.

    Returns
    -------
    dict of int to int
        Kits and how many; empty where the record doesn't tell.
    """
    if event.kits:
        return dict(event.kits)
    everything = event.action == EXCHANGE or not event.renewed
    used: dict[int, int] = {}
    covered: set[int] = set()
    for need in sorted(needs, key=lambda one: (-len(one.renews), one.item)):
        if need.item not in covered and (everything or need.item in event.renewed):
            used[need.kit] = used.get(need.kit, 0) + need.qty
            covered |= need.renews
    return used


def present_kits(kits: Sequence[KitCode], *, as_of: date) -> dict[int, int]:
    """Map each kit to the end of its chain of supersessions.

    Parameters
    ----------
    kits : sequence of KitCode
        Without a cycle: the import sees to that.
    as_of : date
        Supersessions after it aren't followed.

    Returns
    -------
    dict of int to int
        By id; a kit in use stands for itself.
    """
    following = {
        kit.id: kit.superseded_by
        for kit in kits
        if kit.superseded_by is not None and (kit.superseded_on is None or kit.superseded_on <= as_of)
    }

    def end(kit: int) -> int:
        return end(following[kit]) if kit in following else kit

    return {kit.id: end(kit.id) for kit in kits}


def matched(issues: Iterable[IssueLine], takings: Iterable[Taking]) -> list[Taken]:
    """Match issues that name a valve with the events of that valve that used the kit.

    An issue belongs to an event at most `NEAR_DAYS` before or after it; to an exchange from its day until
    `EXCHANGE_DAYS` later, for the removed valve is rebuilt in the shop's own time. As many are matched as can be.

    Parameters
    ----------
    issues : iterable of IssueLine
        Those without a valve are passed over.
    takings : iterable of Taking
        Of any valves.

    Returns
    -------
    list of Taken
        Valve by valve and kit by kit, in order of their days.
    """
    shelf: dict[tuple[int, int], list[Issue]] = defaultdict(list)
    for line in issues:
        if line.valve is not None:
            shelf[line.kit, line.valve].append(_issue(line))
    events: dict[tuple[int, int], list[Taking]] = defaultdict(list)
    for taking in takings:
        if (taking.kit, taking.valve) in shelf:
            events[taking.kit, taking.valve].append(taking)
    return [
        Taken(taking=events[pair][match.need], on=date.fromordinal(match.day), qty=match.qty)
        for pair, lines in shelf.items()
        for match in match_issues([_need(taking) for taking in events[pair]], net_issues(lines))
    ]


def tally(issues: Iterable[IssueLine], takings: Iterable[Taking]) -> Mapping[tuple[int, int], Tally]:
    """Add up, by kit and calendar year, what was issued and how much of it events explain.

    Issues that name a valve are explained by its events (`matched`), the others by what the events of the same year
    used of the kit and no issue with a tag has taken. A return takes back what last went out to the same valve, or
    without one.

    Parameters
    ----------
    issues : iterable of IssueLine
        All of them.
    takings : iterable of Taking
        All of them, read once; only those of valves that issues name are kept.

    Returns
    -------
    mapping
        By kit and year.
    """
    lines = list(issues)
    tallies: defaultdict[tuple[int, int], Tally] = defaultdict(Tally)
    free: Counter[tuple[int, int]] = Counter()
    named = {(line.kit, line.valve) for line in lines}
    near = []
    for taking in takings:
        tallies[taking.kit, taking.year].used += taking.qty
        free[taking.kit, taking.year] += taking.qty
        if (taking.kit, taking.valve) in named:
            near.append(taking)
    for taken in matched(lines, near):
        tallies[taken.taking.kit, taken.on.year].explained += taken.qty
        free[taken.taking.kit, taken.taking.year] -= taken.qty
    for (kit, year), qty in _net_by_year(lines, tallies).items():
        tallies[kit, year].explained += max(0, min(qty, free[kit, year]))
    return tallies


def _net_by_year(lines: Sequence[IssueLine], tallies: defaultdict[tuple[int, int], Tally]) -> Counter[tuple[int, int]]:
    """Book what was issued, and give what of it names no valve."""
    shelf: dict[tuple[int, int | None], list[Issue]] = defaultdict(list)
    for line in lines:
        shelf[line.kit, line.valve].append(_issue(line))
        tallies[line.kit, line.issued_on.year].lines += 1
    untagged: Counter[tuple[int, int]] = Counter()
    for (kit, valve), issues in shelf.items():
        for issue in net_issues(issues):
            year = date.fromordinal(issue.day).year
            tallies[kit, year].issued += issue.qty
            if valve is None:
                untagged[kit, year] += issue.qty
    return untagged


def _issue(line: IssueLine) -> Issue:
    return Issue(day=line.issued_on.toordinal(), qty=line.qty)


def _need(taking: Taking) -> Need:
    first, last = first_day(taking.done_on).toordinal(), last_day(taking.done_on).toordinal()
    exchanged = taking.action == EXCHANGE
    return Need(
        first=first if exchanged else first - NEAR_DAYS,
        last=last + (EXCHANGE_DAYS if exchanged else NEAR_DAYS),
        qty=taking.qty,
    )
