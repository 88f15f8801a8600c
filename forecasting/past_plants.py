"""The plant as it was known on an earlier day: what is dated later isn't there."""

from dataclasses import replace

from forecasting.consumption import Window
from forecasting.histories import Action, Event, History
from forecasting.kit_attribution import renewals_seen
from forecasting.plants import Plant

__all__ = ["history_at", "plant_at"]


def _known(event: Event, *, origin: int) -> bool:
    """Whether an event was surely done by a day."""
    return event.done + (event.done_spread + 1) // 2 <= origin


def history_at(history: History, origin: int) -> History:
    """Cut what happened to a valve to what was dated on or before a day.

    The service class is the one from which the next change led away; a removal still to come isn't known. Design, items
    and begin of records are as they are today.

    Parameters
    ----------
    history : History [day numbers]
        As known today.
    origin : int [day number]
        The day.

    Returns
    -------
    History [day numbers]
        As a record exported on that day would give it.

    References
    ----------
    DEVELOPERS.md, "Back-test".

    Examples
    --------
    >>> later = Event(ref="", action=Action.REBUILD, done=90)
    >>> valve = History(valve="V", service_class="air", items=("seat",), records_begin=0, removed=99, events=(later,))
    >>> cut = history_at(valve, 50)
    >>> cut.events, cut.removed
    ((), None)
    """
    changes = [event for event in history.events if event.action is Action.RECLASSIFY and event.class_from is not None]
    later = sorted((event for event in changes if not _known(event, origin=origin)), key=lambda event: event.done)
    service_class = (later[0].class_from if later else None) or history.service_class
    return replace(
        history,
        service_class=service_class,
        events=tuple(event for event in history.events if _known(event, origin=origin)),
        removed=None if history.removed is None or history.removed > origin else history.removed,
        last_renewed={item: day for item, day in history.last_renewed.items() if day <= origin},
    )


def plant_at(plant: Plant, origin: int, *, windows: tuple[Window, ...], youngest: int) -> Plant:
    """Tell what was known of a plant on an earlier day, and what is to be forecast from there.

    Parameters
    ----------
    plant : Plant [records]
        As known today.
    origin : int [day number]
        The day.
    windows : tuple of (start, end] [days from the origin]
        For which demand is wanted.
    youngest : int [days]
        Valves whose events are complete for less than this are left out, and those installed later.

    Returns
    -------
    Plant [records]
        Without questions and issues.

    References
    ----------
    DEVELOPERS.md, "Back-test".

    Examples
    --------
    >>> valve = History(valve="V", service_class="air", items=("seat",), records_begin=0, installed=80)
    >>> plant = Plant(
    ...     as_of=99, histories=(valve,), designs={}, design_items={}, intervals={}, windows=(), areas={}, questions=()
    ... )
    >>> plant_at(plant, 50, windows=(), youngest=0).histories
    ()
    """
    histories = tuple(
        history_at(history, origin)
        for history in plant.histories
        if history.records_begin + youngest <= origin and (history.installed is None or history.installed <= origin)
    )
    exchanges = {
        valve: tuple(
            replace(one, issued=tuple(day for day in one.issued if day <= origin)) for one in seen if one.day <= origin
        )
        for valve, seen in plant.exchanges.items()
    }
    renewals = renewals_seen(
        histories,
        designs=plant.designs,
        design_items=plant.design_items,
        kit_renews=plant.kit_renews,
        as_of=origin,
    )
    return replace(
        plant,
        as_of=origin,
        histories=histories,
        windows=windows,
        questions=(),
        issues=(),
        exchanges=exchanges,
        renewals=renewals,
    )
