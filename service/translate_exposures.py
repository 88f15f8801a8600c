"""From the scope of a turnaround to what may come on top of it: what fails and waits, what is found on opening."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass

from forecasting.arrays import FloatArray
from forecasting.found_on_opening import chance_found
from forecasting.kits_per_renewal import spread_columns
from forecasting.rebuild_work import Work
from forecasting.turnaround_budgets import Exposure, Outcomes, outcomes_of
from forecasting.window_ages import failing_between
from service.translate_scope import ValveAtWindow
from service.translate_scope_lines import ChosenScope
from service.translate_windows import TurnaroundWindow
from service.turnaround_planning import Planning

FOUND_COLUMN = 60
"""Where the columns of chances of a find begin among those of low discrepancy: lifetimes take the first ones."""


@dataclass(frozen=True, kw_only=True)
class ValveOutcomes:
    """A valve of a turnaround and what may become of it.

    Parameters
    ----------
    valve : ValveAtWindow
        Which.
    opened : Work or None
        What it is opened for as planned; None: nothing.
    outcomes : Outcomes [money, hours, kits]
        With their chances.
    """

    valve: ValveAtWindow
    opened: Work | None
    outcomes: Outcomes


def outcomes_by_class(
    planning: Planning, window: TurnaroundWindow, chosen: ChosenScope
) -> dict[str, list[ValveOutcomes]]:
    """Say what may become of every valve that is opened, or that may fail and wait.

    Parameters
    ----------
    planning : Planning
        Record and lifetimes.
    window : TurnaroundWindow
        The turnaround.
    chosen : ChosenScope
        Its scope.

    Returns
    -------
    dict from service class to list of ValveOutcomes
        Classes have nothing in common.
    """
    points, found = len(planning.points.weights), _Found(planning)
    by_class: dict[str, list[ValveOutcomes]] = defaultdict(list)
    for valve in chosen.valves:
        opened = chosen.opened.get(valve.record.tag)
        exposure = _exposure(planning, window, valve, opened, found)
        if opened is not None or exposure.until_freeze or exposure.after_freeze:
            outcomes = outcomes_of(exposure, points=points)
            one = ValveOutcomes(valve=valve, opened=opened, outcomes=outcomes)
            by_class[valve.service_class].append(one)
    return dict(sorted(by_class.items()))


class _Found:
    """Chances of a find, each estimated once.

    Parameters
    ----------
    planning : Planning
        What openings of the past found.
    """

    def __init__(self, planning: Planning) -> None:
        self._openings = planning.openings
        self._seen = {one.item for one in planning.openings}
        self._labels: dict[tuple[str, str], str] = {}
        for history in planning.asked.register.histories:
            for event in sorted(history.events, key=lambda one: one.done):
                if event.done <= planning.asked.as_of.toordinal():
                    self._labels |= {(history.valve, item): state.value for item, state in event.as_found.items()}
        samples = sorted({(one.service_class, one.item) for one in planning.ages})
        count = len(planning.points.weights)
        columns = spread_columns(count, columns=max(len(samples), 1), first=FOUND_COLUMN)
        self._units = {sample: columns[:, place] for place, sample in enumerate(samples)}
        self._known: dict[tuple[str, str, str], FloatArray] = {}

    def chances(self, valve: ValveAtWindow, item: str) -> FloatArray | None:
        """Chance at each point that an item is found worn or failed; None: no opening of the record tells of it."""
        if item not in self._seen:
            return None
        key = valve.service_class, item, self._labels.get((valve.record.tag, item), "")
        if key not in self._known:
            estimate = chance_found(self._openings, item=item, service_class=key[0], found_before=key[2])
            self._known[key] = estimate.points(self._units[key[:2]])
        return self._known[key]


def _exposure(
    planning: Planning, window: TurnaroundWindow, valve: ValveAtWindow, opened: Work | None, found: _Found
) -> Exposure:
    as_of, planned = planning.asked.as_of, frozenset() if opened is None else opened.items
    freeze, start = float(window.days_to_freeze(as_of)), float(window.days_to(as_of))
    free = [need.item for need in valve.work.needs if need.item not in planned and not need.on_opening]
    before, after = _waiting(planning, valve, free, freeze, start)
    looked = {item: found.chances(valve, item) for item in free} if opened is not None or after or before else {}
    return Exposure(
        tag=valve.record.tag,
        needs=valve.work.needs,
        opened_for=planned,
        until_freeze=before,
        after_freeze=after,
        found={item: chances for item, chances in looked.items() if chances is not None},
    )


def _waiting(
    planning: Planning, valve: ValveAtWindow, free: list[str], freeze: float, start: float
) -> tuple[Mapping[str, FloatArray], Mapping[str, FloatArray]]:
    """Chances that items fail by the freeze, and after it, and have to wait."""
    before: dict[str, FloatArray] = {}
    after: dict[str, FloatArray] = {}
    for item in free if valve.waits else ():
        where, lifetimes = valve.items[item].where, planning.points.lifetimes.get((valve.service_class, item))
        if where is None or lifetimes is None:
            continue
        if freeze:
            before[item] = failing_between(where, lifetimes, first=0.0, last=min(freeze, start))
        after[item] = failing_between(where, lifetimes, first=min(freeze, start), last=start)
    return before, after
