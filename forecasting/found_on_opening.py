"""How often an item is found worn or failed when its valve is opened for something else: from the record, how sure."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import betaincinv

from forecasting.arrays import FloatArray, check
from forecasting.endings import scope
from forecasting.histories import Action, AsFound, Event, History, Reason

__all__ = ["FoundChance", "Opening", "chance_found", "openings_seen"]

VAGUE = 0.5
"""Openings with, and without, a find that are assumed before any was seen (Jeffreys)."""
OTHERS_WORTH = 10.0
"""Openings that all those of other classes, or of another state found before, are worth at most."""
BAD = frozenset({AsFound.WORN, AsFound.FAILED})


@dataclass(frozen=True, kw_only=True)
class Opening:
    """A valve that was opened for something else than this item.

    Parameters
    ----------
    service_class, item : str [codes]
        Of the valve; the item looked at.
    found_before : str [word]
        State in which it was found the time before; empty: not stated.
    found : bool [1]
        Whether it was worn or failed, and renewed too.
    """

    service_class: str
    item: str
    found_before: str
    found: bool


@dataclass(frozen=True, kw_only=True)
class FoundChance:
    """Beta distribution of the chance that an item is found worn or failed.

    Parameters
    ----------
    found, sound : float [openings]
        Parameters.
    seen, seen_found : int [openings]
        Openings of the class, and those of them with a find.
    """

    found: float
    sound: float
    seen: int
    seen_found: int

    @property
    def mean(self) -> float:
        """Expected chance."""
        return self.found / (self.found + self.sound)

    def points(self, unit: FloatArray) -> FloatArray:
        """Quantiles at `unit`, shape (k,), moved to the exact mean."""
        drawn = np.asarray(betaincinv(self.found, self.sound, unit))
        return np.asarray(np.clip(drawn * self.mean / drawn.mean(), 0.0, 1.0))


def _causes(event: Event, renewed: frozenset[str]) -> frozenset[str]:
    """Items an unplanned event was about: those found failed, else those found worn, else all renewed."""
    failed = {item for item in renewed if event.as_found.get(item) is AsFound.FAILED}
    worn = {item for item in renewed if event.as_found.get(item) is AsFound.WORN}
    return frozenset(failed or worn or renewed)


def _looked_at(event: Event, renewed: frozenset[str], items: Sequence[str]) -> Iterator[tuple[str, bool]]:
    """Items that the valve wasn't opened for, and whether they were found bad."""
    planned = event.reason is Reason.PLANNED or bool(event.turnaround)
    causes = frozenset() if planned else _causes(event, renewed)
    for item in items:
        state = event.as_found.get(item)
        others = renewed - {item}
        if item in causes or not others:
            continue
        if item not in renewed and state not in BAD:
            yield item, False
        elif item in renewed and state in BAD:
            yield item, True


def openings_seen(histories: Sequence[History], *, as_of: int) -> tuple[Opening, ...]:
    """Find the rebuilds that opened a valve for something else than an item, and what they found of it.

    An item renewed while ok, or in a state nobody wrote down, may have been planned: such an opening says nothing. Nor
    does an item left in place though it was found bad.

    Parameters
    ----------
    histories : sequence of History [day numbers]
        Of the valves.
    as_of : int [day number]
        Data cut-off.

    Returns
    -------
    tuple of Opening [openings]
        In the class the valve is in now.

    References
    ----------
    DESIGN of this service, section 8 (discovery). Our own rule.

    Examples
    --------
    >>> opened = Event(
    ...     ref="", action=Action.REBUILD, done=9, reason=Reason.PLANNED, renewed=frozenset({"packing", "trim"}),
    ...     as_found={"trim": AsFound.WORN},
    ... )
    >>> valve = History(
    ...     valve="V", service_class="air", items=("packing", "trim"), records_begin=0, installed=0, events=(opened,)
    ... )
    >>> [(one.item, one.found) for one in openings_seen([valve], as_of=10)]
    [('trim', True)]
    """
    seen: list[Opening] = []
    for history in histories:
        before: dict[str, str] = {}
        for event in sorted(history.events, key=lambda one: one.done):
            if event.done > as_of or event.action is not Action.REBUILD:
                continue
            for item, found in _looked_at(event, scope(event, history.items), history.items):
                label = before.get(item, "")
                seen.append(Opening(service_class=history.service_class, item=item, found_before=label, found=found))
            before |= {item: state.value for item, state in event.as_found.items()}
    return tuple(seen)


def _counted(seen: Sequence[Opening]) -> FloatArray:
    """Count openings with and without a find."""
    found = sum(one.found for one in seen)
    return np.array([found, len(seen) - found], dtype=np.float64)


def _limited(weights: FloatArray) -> FloatArray:
    """Let openings be worth no more than so many."""
    return np.asarray(weights * min(1.0, OTHERS_WORTH / weights.sum()))


def chance_found(seen: Sequence[Opening], *, item: str, service_class: str, found_before: str) -> FoundChance:
    """Estimate the chance that an item is found worn or failed when its valve is opened for something else.

    Openings of other classes come first and are worth at most 10 of one's own, then those of the class where the item
    was found in another state before, and at last those just like this one, in full.

    Parameters
    ----------
    seen : sequence of Opening [openings]
        From `openings_seen`.
    item, service_class : str [codes]
        What is asked about.
    found_before : str [word]
        State in which it was found the time before; empty: not stated.

    Returns
    -------
    FoundChance [openings]
        Beta distribution.

    References
    ----------
    Gelman et al. (2013), Bayesian Data Analysis, section 2.4 (Beta posterior; from memory).

    Examples
    --------
    >>> one = Opening(service_class="air", item="trim", found_before="", found=True)
    >>> chance_found([one], item="trim", service_class="air", found_before="").mean
    0.75
    """
    of_item = [one for one in seen if one.item == item]
    of_class = [one for one in of_item if one.service_class == service_class]
    others = [one for one in of_item if one.service_class != service_class]
    alike = [one for one in of_class if one.found_before == found_before]
    unlike = [one for one in of_class if one.found_before != found_before]
    weights = _limited(np.full(2, VAGUE) + _counted(others))
    weights = _limited(weights + _counted(unlike)) + _counted(alike)
    check(bool(weights.min() > 0.0), f"a chance needs openings of both kinds, got {weights.tolist()}")
    return FoundChance(
        found=float(weights[0]),
        sound=float(weights[1]),
        seen=len(of_class),
        seen_found=sum(one.found for one in of_class),
    )
