"""Which valves to open at a turnaround, and for what: the best scope under limits, and what a limit is worth."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from forecasting.arrays import FloatArray, check
from forecasting.errors import InfeasibleTarget, NoConvergence
from forecasting.rebuild_work import Work

__all__ = ["Candidate", "Limits", "Option", "Scope", "Worth", "best_scope", "options_of", "worth_of_limits"]

CLOSE = 1e-9
"""Relative slack that limits get, so that sums of decimals that just fit do."""


@dataclass(frozen=True, kw_only=True)
class Option:
    """Opening a valve for some of its items.

    Parameters
    ----------
    work : Work [money, hours, kits]
        What it takes.
    value : float [money]
        What it saves over leaving the valve shut, its cost taken off.
    """

    work: Work
    value: float


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """A valve that can be opened.

    Parameters
    ----------
    tag : str [tag]
        Which.
    options : tuple of Option [options]
        What it can be opened for.
    must_open : bool [1]
        It has to be opened for one of them.
    needed : frozenset of str [codes]
        Items that have to be renewed if it is opened; they leave at least one option.
    """

    tag: str
    options: tuple[Option, ...]
    must_open: bool = False
    needed: frozenset[str] = frozenset()

    @property
    def open_to(self) -> tuple[Option, ...]:
        """Options that renew what has to be renewed."""
        return tuple(option for option in self.options if self.needed <= option.work.items)


@dataclass(frozen=True, kw_only=True)
class Limits:
    """What a turnaround has; infinite: as much as is wanted.

    Parameters
    ----------
    budget : float [money]
        For kits and work as planned.
    hours : float [hours]
        At the bench.
    valves : float [valves]
        That can be opened.
    """

    budget: float = float("inf")
    hours: float = float("inf")
    valves: float = float("inf")


@dataclass(frozen=True, kw_only=True)
class Scope:
    """Which valves are opened, and for what.

    Parameters
    ----------
    chosen : mapping from tag to Option [options]
        In the order of the candidates.
    value : float [money]
        Saved over opening none.
    """

    chosen: Mapping[str, Option]
    value: float

    @property
    def used(self) -> Limits:
        """What it takes of each limit."""
        works = [option.work for option in self.chosen.values()]
        return Limits(
            budget=sum(work.cost for work in works),
            hours=sum(work.hours for work in works),
            valves=float(len(works)),
        )


@dataclass(frozen=True, kw_only=True)
class Worth:
    """What one unit more of a limit would bring.

    Parameters
    ----------
    limit : str [word]
        `budget`, `hours` or `valves`.
    at : float [its unit]
        The limit.
    used : float [its unit]
        What the best scope takes of it.
    unit : float [its unit]
        How much more was tried.
    worth : float [money]
        What the best scope is worth more with it.
    """

    limit: str
    at: float
    used: float
    unit: float
    worth: float


def options_of(works: Sequence[Work], costs_of_leaving: Mapping[str, float]) -> tuple[Option, ...]:
    """Say what each way of opening a valve is worth.

    The sum of what leaving its items would cost, less what the work costs: the opening is paid once for all of them.

    Parameters
    ----------
    works : sequence of Work [money, hours, kits]
        From `choices_of`.
    costs_of_leaving : mapping from item to float [money]
        From `cost_of_leaving`; an item without is worth nothing.

    Returns
    -------
    tuple of Option [money]
        One per way.

    References
    ----------
    DESIGN of this service, section 8.

    Examples
    --------
    >>> work = Work(items=frozenset({"trim"}), kits=(("T", 1),), kit_cost=900.0, work_cost=300.0, hours=6.0)
    >>> options_of([work], {"trim": 1500.0})[0].value
    300.0
    """
    return tuple(
        Option(work=work, value=sum(costs_of_leaving.get(item, 0.0) for item in sorted(work.items)) - work.cost)
        for work in works
    )


def _solved(values: FloatArray, constraints: list[LinearConstraint]) -> FloatArray:
    """Choose options, shape (n,), for the largest value.

    Raises
    ------
    InfeasibleTarget
        If what has to be opened exceeds a limit.
    NoConvergence
        If the solver stops without an answer.
    """
    found = milp(
        -values, integrality=np.ones(len(values), dtype=np.int64), bounds=Bounds(0.0, 1.0), constraints=constraints
    )
    if found.status == 2:
        raise InfeasibleTarget("what has to be opened takes more than the limits allow")
    if found.x is None or found.status != 0:
        raise NoConvergence(f"no best scope was found: {found.message}")
    return np.asarray(np.asarray(found.x) > 0.5, dtype=np.float64)


def best_scope(candidates: Sequence[Candidate], limits: Limits) -> Scope:
    """Choose the scope that saves most under limits on budget, bench hours and number of valves.

    Parameters
    ----------
    candidates : sequence of Candidate [valves]
        Each tag once.
    limits : Limits [money, hours, valves]
        What the turnaround has.

    Returns
    -------
    Scope [options]
        One option of each valve that is opened.

    Raises
    ------
    InvalidInput
        If a valve that has to be opened can't be.
    InfeasibleTarget
        If what has to be opened exceeds a limit.
    NoConvergence
        If the solver stops without an answer.

    References
    ----------
    Huangfu & Hall (2018), Mathematical Programming Computation 10:119-142 (HiGHS, the solver; from memory).

    Examples
    --------
    >>> def work(cost):
    ...     return Work(items=frozenset({"trim"}), kits=(), kit_cost=cost, work_cost=0.0, hours=1.0)
    >>> valves = [
    ...     Candidate(tag=tag, options=(Option(work=work(cost), value=value),))
    ...     for tag, cost, value in (("A", 60.0, 50.0), ("B", 50.0, 40.0), ("C", 50.0, 40.0))
    ... ]
    >>> sorted(best_scope(valves, Limits(budget=100.0)).chosen)
    ['B', 'C']
    """  # noqa: DOC502 (two come from _solved)
    for one in candidates:
        check(not one.must_open or bool(one.open_to), f"{one.tag} has to be opened, but for nothing it has")
    rows = [(number, option) for number, one in enumerate(candidates) for option in one.open_to]
    if not rows:
        return Scope(chosen={}, value=0.0)
    owner = csr_array((np.ones(len(rows)), ([number for number, _ in rows], np.arange(len(rows)))))
    least = np.array([float(one.must_open) for one in candidates])[: owner.shape[0]]
    constraints = [LinearConstraint(owner, least, np.ones(owner.shape[0]))]
    for name, column in (
        ("budget", [option.work.cost for _, option in rows]),
        ("hours", [option.work.hours for _, option in rows]),
        ("valves", [1.0] * len(rows)),
    ):
        most = getattr(limits, name)
        if np.isfinite(most):
            scale = max(most, *column, 1.0)
            constraints.append(LinearConstraint(np.array([column]) / scale, -np.inf, most / scale * (1.0 + CLOSE)))
    taken = _solved(np.array([option.value for _, option in rows]), constraints)
    chosen = {candidates[number].tag: option for (number, option), one in zip(rows, taken, strict=True) if one}
    return Scope(chosen=chosen, value=sum(option.value for option in chosen.values()))


def worth_of_limits(
    candidates: Sequence[Candidate], limits: Limits, *, units: Limits, best: Scope
) -> tuple[Worth, ...]:
    """Say what one unit more of each limit would bring: the best scope found again with it.

    Parameters
    ----------
    candidates : sequence of Candidate [valves]
        As for `best_scope`.
    limits : Limits [money, hours, valves]
        Those that are infinite are left out.
    units : Limits [money, hours, valves]
        One unit of each.
    best : Scope [options]
        From `best_scope` with the same limits.

    Returns
    -------
    tuple of Worth [money]
        Never negative.

    Raises
    ------
    NoConvergence
        If the solver stops without an answer.

    References
    ----------
    DESIGN of this service, section 8; valves are whole, so that a price from linear programming would not do.

    Examples
    --------
    >>> work = Work(items=frozenset({"trim"}), kits=(), kit_cost=60.0, work_cost=0.0, hours=1.0)
    >>> valve = Candidate(tag="A", options=(Option(work=work, value=50.0),))
    >>> limits = Limits(budget=50.0)
    >>> worth_of_limits([valve], limits, units=Limits(budget=10.0), best=best_scope([valve], limits))[0].worth
    50.0
    """  # noqa: DOC502 (comes from best_scope)
    worths = []
    for name in ("budget", "hours", "valves"):
        most, unit = getattr(limits, name), getattr(units, name)
        if np.isfinite(most):
            more = best_scope(candidates, replace(limits, **{name: most + unit}))
            used = getattr(best.used, name)
            gained = max(more.value - best.value, 0.0)
            worths.append(Worth(limit=name, at=most, used=used, unit=unit, worth=gained))
    return tuple(worths)
