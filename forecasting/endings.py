"""What an event renewed, and how the life of each item ended at it.

The rule numbers are those of DEVELOPERS.md, "Ten rules for lives".
"""

from enum import Enum

from forecasting.histories import Action, AsFound, Event, Reason


class Ending(Enum):
    """How an item's life ended at an event (rules 4, 5, 8)."""

    EXACT = "a failure that showed itself"
    INTERVAL = "found failed or worn when looked at"
    CENSORED = "renewed while ok, or because another item failed"
    MASKED = "a failure that showed itself, of one of several, not said which"
    MASKED_INTERVAL = "one of several found worn, not said which"


MASKED = frozenset({Ending.MASKED, Ending.MASKED_INTERVAL})


def scope(event: Event, items: tuple[str, ...]) -> frozenset[str]:
    """Items that an event renewed (rule 1).

    Parameters
    ----------
    event : Event [event]
        A rebuild or exchange renews something; the others renew nothing.
    items : tuple of str [item codes]
        Items of the valve's design.

    Returns
    -------
    frozenset of str [item codes]
        What is stated, else what the kits renew, else every item; an exchange renews every item.

    References
    ----------
    DEVELOPERS.md, "Ten rules for lives", rule 1.

    Examples
    --------
    >>> repack = Event(ref="1", action=Action.REBUILD, done=5, renewed=frozenset({"packing"}))
    >>> sorted(scope(repack, ("packing", "trim")))
    ['packing']
    """
    if event.action is Action.EXCHANGE:
        return frozenset(items)
    if event.action is not Action.REBUILD:
        return frozenset()
    for stated in (event.renewed, event.kits_renew):
        known = frozenset(items) & (stated or frozenset())
        if known:
            return known
    return frozenset(items)


def endings(event: Event, renewed: frozenset[str], *, already_failed: frozenset[str]) -> dict[str, Ending]:
    """How the life of each renewed item ended, and of each item found failed (rules 4, 5, 8).

    Parameters
    ----------
    event : Event [event]
        A reason that isn't stated is taken as a failure.
    renewed : frozenset of str [item codes]
        What it renewed.
    already_failed : frozenset of str [item codes]
        Items an earlier event found failed: they explain this one.

    Returns
    -------
    dict of str to Ending [endings]
        Several masked items share one cause.

    References
    ----------
    DEVELOPERS.md, "Ten rules for lives", rules 4, 5 and 8.

    Examples
    --------
    >>> both = Event(ref="1", action=Action.REBUILD, done=5, reason=Reason.FAILURE)
    >>> how = endings(both, frozenset({"packing", "trim"}), already_failed=frozenset())
    >>> {item: ending.name for item, ending in sorted(how.items())}
    {'packing': 'MASKED', 'trim': 'MASKED'}
    """
    on_condition = event.reason is Reason.CONDITION
    planned = event.reason is Reason.PLANNED or event.action is Action.INSPECT
    failed = {item for item, state in event.as_found.items() if state is AsFound.FAILED}
    worn = {item for item, state in event.as_found.items() if state is AsFound.WORN} & renewed
    known = already_failed & renewed
    culprits = failed or worn
    # the one that failed showed itself; of several at once only the opening tells
    showed_itself = not (planned or on_condition or known) and len(culprits) == 1
    ended = dict.fromkeys(sorted(renewed), Ending.CENSORED) | dict.fromkeys(sorted(failed | worn), Ending.INTERVAL)
    if showed_itself:
        ended |= dict.fromkeys(culprits, Ending.EXACT)
    if planned or culprits or known:
        return ended
    suspects = sorted(item for item in renewed if item not in event.as_found)
    alone, shared = (Ending.INTERVAL, Ending.MASKED_INTERVAL) if on_condition else (Ending.EXACT, Ending.MASKED)
    return ended | dict.fromkeys(suspects, alone if len(suspects) == 1 else shared)
