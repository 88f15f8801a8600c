"""From the parts of a difference between two runs to a sentence for the storeroom."""

from service.schemas.results import ChangeOut


def change_sentence(change: ChangeOut) -> str:
    """Say what changed since the run before, in the order in which it was told apart.

    Parameters
    ----------
    change : ChangeOut
        Of one kit.

    Returns
    -------
    str
        Only the parts that changed anything are named.
    """
    began = f"Since run {change.since_run}, as of {change.since_as_of.isoformat()}, the kits expected in "
    days, parts = f"{change.days:g} days", _parts(change)
    if not parts:
        return f"{began}{days} stayed at {change.after:.3g}."
    said = ", ".join(f"{amount:+.3g} by {name}" for name, amount in parts)
    return f"{began}{days} went from {change.before:.3g} to {change.after:.3g}: {said}."


def _parts(change: ChangeOut) -> list[tuple[str, float]]:
    corrected, new = change.details.get("events_corrected"), change.details.get("new_events")
    named = (
        (f"corrections of the record{_of_events(corrected)}", change.record_corrections),
        ("time passing", change.time_passing),
        (f"new events{_of_events(new)}", change.new_events),
        ("new models", change.new_model),
    )
    return [(name, amount) for name, amount in named if amount]


def _of_events(number: object) -> str:
    return f" ({number} {'event' if number == 1 else 'events'} of its valves)" if number else ""
